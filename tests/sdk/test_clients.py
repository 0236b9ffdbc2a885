"""Both clients: the same names and types, the same operations and errors as the service."""

import inspect
import re
import runpy
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import get_args, get_origin, get_type_hints

import httpx
import msgspec
import pytest

from catchpan import AsyncCatchpan, Catchpan, calls, errors
from catchpan.contract.materials import MaterialRequest
from catchpan.contract.openings import OpeningRequest
from catchpan.contract.problems import Problem, Slug
from catchpan.errors import AnswerError, ProblemError
from catchpan.inprocess import InProcess
from catchpan_service.problems import CATALOGUE
from tests.scenario import MISSING, example, operations
from tests.sdk.recorded import BY_PATH, CALLS, PLACE, call_of, public

SDK = Path(__file__).parents[2] / "sdk"


# --- the synchronous twin


def test_the_synchronous_client_is_the_generated_one():
    made = runpy.run_path(str(SDK / "generate_client.py"))
    for name, text in made["generated"](made["sources"]()).items():
        assert (SDK / "catchpan" / name).read_text() == text, f"{name}: run python sdk/generate_client.py"
    with pytest.raises(ValueError, match="found nothing to do"):
        made["generated"]({"client.py": "import httpx\n"})


def told_synchronously(name):
    return {"aclose": "close"}.get(name, name)


def synchronous(annotation):
    """What the synchronous twin says for an annotation of the asynchronous client."""
    if get_origin(annotation) is AsyncIterator:
        return Iterator[get_args(annotation)[0]]
    return {httpx.AsyncBaseTransport | None: httpx.BaseTransport | None}.get(annotation, annotation)


def test_both_clients_have_the_same_operations():
    assert {told_synchronously(name) for name in public(AsyncCatchpan)} == set(public(Catchpan))


@pytest.mark.parametrize("name", [*public(AsyncCatchpan), "__init__"])
def test_twins_take_the_same_parameters_of_the_same_types(name):
    twin, own = getattr(AsyncCatchpan, name), getattr(Catchpan, told_synchronously(name))
    shape = [(p.name, p.kind, p.default) for p in inspect.signature(twin).parameters.values()]
    assert shape == [(p.name, p.kind, p.default) for p in inspect.signature(own).parameters.values()]
    told = {one: str(synchronous(kind)) for one, kind in get_type_hints(twin).items()}
    assert told == {one: str(kind) for one, kind in get_type_hints(own).items()}
    assert inspect.getdoc(twin).replace("Async", "") == inspect.getdoc(own).replace("Async", "")


# --- operations


def test_every_operation_of_the_document_has_a_call_and_every_call_an_operation():
    served = {(one.method, PLACE.sub("*", one.template)) for one in operations().values()}
    assert set(BY_PATH) == served - {("GET", "/readyz")}
    files = [one for one in CALLS.values() if one.form not in {"application/json", "text/calendar"}]
    assert len(BY_PATH) == len(CALLS) - len(files)


@pytest.mark.parametrize("operation", [one for one in operations().values() if call_of(one)], ids=lambda one: one.id)
def test_a_call_sends_what_its_operation_takes(operation):
    call = call_of(operation)
    assert call.keyed == ("Idempotency-Key" in operation.parameters)
    assert (call.version is not None) == ("If-Match" in operation.parameters)
    assert call.told == ("units" in operation.parameters)
    assert set(call.query) <= operation.parameters


def test_every_write_can_be_repeated():
    assert all(call_of(one).repeatable for one in operations().values() if one.writes)


# --- problems


def test_every_slug_has_a_status_a_title_and_an_error_of_its_own():
    assert set(CATALOGUE) == set(errors.BY_SLUG) == set(Slug)
    classes = list(errors.BY_SLUG.values())
    assert len(set(classes)) == len(classes)
    assert all(issubclass(one, ProblemError) and one.__doc__ for one in classes)


@pytest.mark.parametrize("slug", list(Slug))
def test_a_problem_is_raised_as_the_error_of_its_slug(slug):
    status, title = CATALOGUE[slug]
    sent = Problem(type=f"/problems/{slug.value}", title=title, status=status, detail="seen", current={"version": 3})
    with pytest.raises(errors.BY_SLUG[slug], match="seen") as refusal:
        calls.organisation().read(status, msgspec.json.encode(sent))
    assert refusal.value.problem == sent


def test_a_problem_of_a_later_version_is_still_a_problem():
    body = b'{"type":"/problems/brand-new","title":"t","status":418,"detail":"d","later":1}'
    with pytest.raises(ProblemError) as refusal:
        calls.organisation().read(418, body)
    assert type(refusal.value) is ProblemError
    assert refusal.value.problem.slug.value == "brand-new"


@pytest.mark.parametrize("status", [301, 304, 400, 404, 500, 502])
@pytest.mark.parametrize("call", [calls.organisation(), calls.revision_content(MISSING, 1)], ids=["struct", "bytes"])
def test_an_answer_of_another_service_is_no_answer(status, call):
    with pytest.raises(AnswerError, match=f"status {status} without a problem"):
        call.read(status, b"<html>proxy</html>")


def test_a_good_status_with_something_else_in_it_is_no_answer():
    with pytest.raises(AnswerError, match="the answer to GET /v1/organisation cannot be read"):
        calls.organisation().read(200, b"{}")


# --- what is sent


def wanted(number):
    return msgspec.convert(example("addMaterial") | {"name": f"invented {number}"}, MaterialRequest)


class Seeing(InProcess):
    """Keeps every request."""

    def __init__(self, app):
        super().__init__(app)
        self.seen = []

    def handle_request(self, request):
        self.seen.append(request)
        return super().handle_request(request)


def test_a_key_is_sent_always_and_an_idempotency_key_with_what_is_stored(app, keys):
    transport = Seeing(app)
    with Catchpan("http://seen", key=keys["owner"], transport=transport) as client:
        client.add_material(wanted(1))
        client.add_material(wanted(2), idempotency_key="my-own")
        client.add_material(wanted(3), dry_run=True)
        client.materials(limit=5)
    first, own, dry, page = transport.seen
    assert {one.headers["authorization"] for one in transport.seen} == {f"Bearer {keys['owner']}"}
    assert re.fullmatch(r"[0-9a-f-]{36}", first.headers["idempotency-key"])
    assert own.headers["idempotency-key"] == "my-own"
    assert "idempotency-key" not in dry.headers
    assert (dry.url.query, page.url.query) == (b"dry_run=true", b"limit=5")


def test_importing_the_sdk_brings_nothing_heavy():
    code = "import catchpan, sys; print(*sorted({name.split('.')[0] for name in sys.modules}))"
    loaded = set(
        subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout.split()
    )
    assert "catchpan" in loaded
    assert not loaded & {
        "numpy",
        "scipy",
        "sqlalchemy",
        "litestar",
        "alembic",
        "uvicorn",
        "cyclopts",
        "catchpan_service",
    }


@pytest.mark.parametrize("units", ["us", "si"])
def test_units_that_are_asked_for_are_told_where_there_are_any_and_hinder_nothing_else(app, keys, units):
    with Catchpan.in_process(app, key=keys["owner"], units=units) as client:
        assert client.materials().items == []
        assert client.add_material(wanted(1)).label_highest_rate.unit == "lb/1000ft2"
        asked = msgspec.convert(example("computeOpening"), OpeningRequest)
        assert client.opening(asked).flow.unit == {"us": "lb/min", "si": "kg/min"}[units]
