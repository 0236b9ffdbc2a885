"""Answers of a later version: what is new in them is ignored or survives, and hinders nothing."""

from typing import Any, Literal, get_args, get_origin, get_type_hints

import msgspec
import pytest

from catchpan import Catchpan
from catchpan.contract.base import OpenEnum
from catchpan.contract.problems import Problem
from tests.scenario import operations, season, serving
from tests.sdk.recorded import CALLS, call_of, public


@pytest.fixture(scope="module")
def web(tmp_path_factory):
    with serving(tmp_path_factory.mktemp("clients")) as made:
        yield made


def reached(*kinds):
    """Every struct and enum that some types can hold."""
    seen: set[Any] = set()
    waiting: list[Any] = list(kinds)
    while waiting:
        kind = waiting.pop()
        waiting += get_args(kind)
        if isinstance(kind, type) and kind not in seen and issubclass(kind, msgspec.Struct | OpenEnum):
            seen.add(kind)
            waiting += list(get_type_hints(kind).values())
    return sorted(seen, key=lambda kind: kind.__name__)


def answer_types():
    return reached(Problem, *(call.kind for call in CALLS.values()))


def request_types():
    hints = [get_type_hints(method) for method in public(Catchpan).values()]
    return reached(*(told[name] for told in hints for name in ("request", "batch") if name in told))


def closed_lists(kinds):
    """The members of structs that are one of a closed list of words, with the list; units are, for good."""
    return {
        (kind.__name__, name): get_args(part)
        for kind in kinds
        if issubclass(kind, msgspec.Struct)
        for name, hint in get_type_hints(kind).items()
        for part in (hint, *get_args(hint))
        if get_origin(part) is Literal and not name.endswith("unit")
    }


@pytest.mark.parametrize("kind", [kind for kind in answer_types() if issubclass(kind, OpenEnum)])
def test_a_member_of_a_later_version_survives_in_an_answer(kind):
    got = msgspec.json.decode(b'"brand_new"', type=kind)
    assert isinstance(got, kind)
    assert (got.value, str(got), msgspec.json.encode(got)) == ("brand_new", "brand_new", b'"brand_new"')
    assert got not in set(kind)
    assert msgspec.json.decode(b'"brand_new"', type=kind) == got


def test_no_answer_holds_a_closed_list_but_what_it_repeats_of_a_request():
    repeated = {(name, words) for (_, name), words in closed_lists(request_types()).items()}
    found = {place for place, words in closed_lists(answer_types()).items() if (place[1], words) not in repeated}
    assert found == {("Health", "status"), ("Organisation", "units")}


def test_unknown_members_are_ignored_at_every_place_of_every_answer(web):
    ours, tried = season(web, name="later ", drafts=2, in_use=True, trial=True), 0
    for one in operations().values():
        call = call_of(one)
        answer = one.call(web, ours, f"{one.id} ")
        assert answer.is_success, answer.text
        if call is not None and call.kind is not bytes:
            meant = call.read(answer.status_code, answer.content)
            for grown in grow(answer.json()):
                assert without_raw(call.read(answer.status_code, msgspec.json.encode(grown))) == without_raw(meant)
                tried += 1
    assert tried > 300


SENT_AS_BYTES = {"content", "correction", "corrections", "head", "manifest", "exceptions", "entry"}


def grow(document):
    """The document with a new member in one of its objects, for each in turn; what is hashed is never re-encoded."""
    if isinstance(document, dict):
        yield document | {"brand_new": {"deep": [1]}}
        for name, value in document.items():
            if name not in SENT_AS_BYTES:
                yield from (document | {name: grown} for grown in grow(value))
    elif isinstance(document, list):
        for index, value in enumerate(document):
            yield from ([*document[:index], grown, *document[index + 1 :]] for grown in grow(value))


def without_raw(answer):
    """An answer that can be compared: what is kept as bytes as the values that it is."""
    return msgspec.json.decode(msgspec.json.encode(answer))
