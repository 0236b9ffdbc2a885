"""Both clients: the same names and types, the same errors as the service, and one effect for each call."""

import asyncio
import inspect
import random
import re
import runpy
import subprocess
import sys
import threading
import time
from collections.abc import AsyncIterator, Iterator
from concurrent.futures import ThreadPoolExecutor
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Literal, get_args, get_origin, get_type_hints

import httpx
import msgspec
import pytest

from catchpan import AsyncCatchpan, Catchpan, calls, errors, retry
from catchpan.contract.base import OpenEnum
from catchpan.contract.materials import MaterialRequest
from catchpan.contract.openings import OpeningRequest
from catchpan.contract.problems import Problem, Slug
from catchpan.contract.profiles import Content
from catchpan.errors import AnswerError, BusyError, ProblemError, StaleError, UnreachableError
from catchpan.inprocess import AsyncInProcess, InProcess
from catchpan.quantities import Quantity
from catchpan_service.problems import CATALOGUE
from tests.scenario import MISSING, example, operations, season, serving

SDK = Path(__file__).parents[2] / "sdk"
PLACE = re.compile(rf"{MISSING}|(?<=/)1(?=/|$)|{{[^}}]*}}")
SAMPLE_ARGUMENTS = {
    "id": MISSING, "profile": MISSING, "number": 1, "before": 1, "after": 2, "limit": 10, "tolerance": 0.1, "version": 3,
    "dry_run": False, "request": None, "batch": None, "idempotency_key": None,
}  # fmt: skip


class Recording(Catchpan):
    """Takes note of the call that a method makes, and sends nothing."""

    def run(self, call, *, idempotency_key=None):
        self.call = call


def public(client):
    return {name: made for name, made in inspect.getmembers(client, callable) if not name.startswith("_")}


def calls_made():
    """Every call that the client makes, by the name of its method."""
    with Recording("http://nobody", transport=httpx.MockTransport(lambda _: None)) as client:
        for name, method in public(Catchpan).items():
            if name not in {"run", "close", "in_process"} and not inspect.isgeneratorfunction(method):
                given = {one: SAMPLE_ARGUMENTS[one] for one in inspect.signature(method).parameters if one != "self"}
                getattr(client, name)(**given)
                yield name, client.call


CALLS = dict(calls_made())
BY_PATH = {(call.method, PLACE.sub("*", call.path)): call for call in CALLS.values()}


def call_of(operation):
    """The client's call of an operation of the document, if it has one."""
    return BY_PATH.get((operation.method, PLACE.sub("*", operation.template)))


@pytest.fixture(scope="module")
def web(tmp_path_factory):
    with serving(tmp_path_factory.mktemp("clients")) as made:
        yield made


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
    assert len(BY_PATH) == len(CALLS)


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


# --- answers of a later version


def answer_types():
    """Every struct that an answer can hold."""
    seen: set[Any] = set()
    waiting: list[Any] = [call.kind for call in CALLS.values()] + [Problem]
    while waiting:
        kind = waiting.pop()
        waiting += get_args(kind)
        if isinstance(kind, type) and kind not in seen and issubclass(kind, msgspec.Struct | OpenEnum):
            seen.add(kind)
            waiting += list(get_type_hints(kind).values())
    return sorted(seen, key=lambda kind: kind.__name__)


@pytest.mark.parametrize("kind", [kind for kind in answer_types() if issubclass(kind, OpenEnum)])
def test_a_member_of_a_later_version_survives_in_an_answer(kind):
    got = msgspec.json.decode(b'"brand_new"', type=kind)
    assert isinstance(got, kind)
    assert (got.value, str(got), msgspec.json.encode(got)) == ("brand_new", "brand_new", b'"brand_new"')
    assert got not in set(kind)
    assert msgspec.json.decode(b'"brand_new"', type=kind) == got


# Closed for good: units, and what an answer repeats of the request that it answers.
CLOSED = {
    "Curve.gates", "Curve.weighting", "Health.status", "MaterialRequest.nature", "Organisation.units",
    "OverlapAnswer.deviation", "OverlapAnswer.evaluation",
}  # fmt: skip


def test_no_answer_holds_a_closed_list_but_units_and_what_it_repeats():
    found = {
        f"{kind.__name__}.{name}"
        for kind in answer_types()
        if issubclass(kind, msgspec.Struct) and not issubclass(kind, Quantity)
        for name, hint in get_type_hints(kind).items()
        if name in kind.__annotations__ and any(get_origin(part) is Literal for part in (hint, *get_args(hint)))
    }
    assert {one for one in found if not one.endswith("unit")} <= CLOSED


def test_unknown_members_are_ignored_at_every_place_of_every_answer(web):
    ours, tried = season(web, name="later ", drafts=2), 0
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


def grow(document):
    """The document with a new member in one of its objects, for each object in turn; content is never re-encoded."""
    if isinstance(document, dict):
        yield document | {"brand_new": {"deep": [1]}}
        for name, value in document.items():
            if name != "content":
                yield from (document | {name: grown} for grown in grow(value))
    elif isinstance(document, list):
        for index, value in enumerate(document):
            yield from ([*document[:index], grown, *document[index + 1 :]] for grown in grow(value))


def without_raw(answer):
    """An answer that can be compared: its content as the struct that it is."""
    if hasattr(answer, "content"):
        return msgspec.structs.replace(answer, content=msgspec.json.decode(answer.content, type=Content))
    return answer


# --- one effect for each call, within a deadline


class Losing(httpx.AsyncBaseTransport):
    """Reaches the service always, and loses 30 % of its answers."""

    def __init__(self, app):
        self.inner, self.random, self.lost = AsyncInProcess(app), random.Random(7), 0

    async def __aenter__(self):
        await self.inner.__aenter__()
        return self

    async def __aexit__(self, *exc):
        await self.inner.__aexit__(*exc)

    async def handle_async_request(self, request):
        answer = await self.inner.handle_async_request(request)
        if self.random.random() < 0.3:
            self.lost += 1
            raise httpx.ReadError("the answer was lost")
        return answer


class LosingInThreads(httpx.BaseTransport):
    """The same for the synchronous client."""

    def __init__(self, app):
        self.inner, self.random, self.lost = InProcess(app), random.Random(7), 0

    def __enter__(self):
        self.inner.__enter__()
        return self

    def __exit__(self, *exc):
        self.inner.__exit__(*exc)

    def handle_request(self, request):
        answer = self.inner.handle_request(request)
        if self.random.random() < 0.3:
            self.lost += 1
            raise httpx.ReadError("the answer was lost")
        return answer


@pytest.fixture
def hasty(monkeypatch):
    """Pauses a tenth as long, to spare the one who waits for the tests."""
    monkeypatch.setattr(retry, "FIRST_PAUSE", retry.FIRST_PAUSE / 10)


def wanted(number):
    return msgspec.convert(example("addMaterial") | {"name": f"invented {number}"}, MaterialRequest)


def test_two_hundred_creates_make_two_hundred_materials_though_answers_are_lost(app, keys, hasty):
    async def run():
        transport = Losing(app)
        async with AsyncCatchpan("http://losing", key=keys["owner"], transport=transport) as client:
            made = await asyncio.gather(*[client.add_material(wanted(number)) for number in range(200)])
            stored = [one async for one in client.all_materials()]
        return made, stored, transport.lost

    made, stored, lost = asyncio.run(run())
    assert lost > 40
    assert sorted(one.id for one in made) == sorted(one.id for one in stored)
    assert {one.name for one in stored} == {f"invented {number}" for number in range(200)}
    assert len(stored) == 200


def test_the_synchronous_client_makes_no_more_and_no_fewer(app, keys, hasty):
    transport = LosingInThreads(app)
    with Catchpan("http://losing", key=keys["owner"], transport=transport) as client:
        with ThreadPoolExecutor(20) as pool:
            made = list(pool.map(lambda number: client.add_material(wanted(number)), range(200)))
        stored = list(client.all_materials())
    assert transport.lost > 40
    assert sorted(one.id for one in made) == sorted(one.id for one in stored)
    assert len({one.name for one in stored}) == len(stored) == 200


def test_a_change_whose_answer_was_lost_is_not_told_as_somebody_elses(app, keys, hasty):
    with Catchpan("http://losing", key=keys["owner"], transport=LosingInThreads(app)) as client:
        current = client.add_material(wanted(0))
        for number in range(1, 40):
            current = client.replace_material(current.id, wanted(number), version=current.version)
            assert (current.name, current.version) == (f"invented {number}", number + 1)
        with pytest.raises(StaleError):
            client.replace_material(current.id, wanted(99), version=current.version - 1)


class Refusing(httpx.BaseTransport):
    """Nobody is there."""

    def __init__(self):
        self.tried = 0

    def handle_request(self, request):
        self.tried += 1
        raise httpx.ConnectError("nobody is there")


class Answering(httpx.BaseTransport):
    """The same answer to everything."""

    def __init__(self, status, headers, content):
        self.answer, self.tried = (status, headers, content), 0

    def handle_request(self, request):
        self.tried += 1
        status, headers, content = self.answer
        return httpx.Response(status, headers=headers, content=content)


def timed(work):
    began = time.monotonic()
    work()
    return time.monotonic() - began


def test_nobody_is_waited_for_past_the_deadline():
    transport = Refusing()

    def ask():
        with Catchpan("http://nobody", deadline=0.5, transport=transport) as client, pytest.raises(UnreachableError):
            client.health()

    assert timed(ask) < 0.6
    assert transport.tried > 2


def test_a_busy_service_is_believed_about_the_time_it_needs():
    busy = Problem(type="/problems/busy", title="t", status=503, detail="later")
    transport = Answering(503, {"retry-after": "60"}, msgspec.json.encode(busy))
    with Catchpan("http://busy", deadline=5, transport=transport) as client, pytest.raises(BusyError):
        client.health()
    assert transport.tried == 1


def test_a_gateway_without_its_service_is_no_answer():
    with (
        Catchpan("http://gateway", deadline=0.2, transport=Answering(502, {}, b"<html>")) as client,
        pytest.raises(UnreachableError, match=r"no answer from http://gateway \(502\)"),
    ):
        client.health()


@pytest.fixture
def slow():
    """A server on loopback that answers the first request with 503 after a quarter of a second, and then no more."""
    released, asked = threading.Event(), []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self):
            asked.append(self.path)
            if len(asked) > 1:
                released.wait(5)
            time.sleep(0.25)
            self.send_response(503)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_):
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}", asked
    released.set()
    server.shutdown()
    thread.join()
    server.server_close()


def test_a_service_that_falls_silent_is_waited_for_until_the_deadline_and_not_longer(slow):
    url, asked = slow

    def ask():
        with Catchpan(url, deadline=0.6) as client, pytest.raises(UnreachableError):
            client.health()

    assert 0.55 < timed(ask) < 0.75
    assert len(asked) == 2


def test_the_asynchronous_client_waits_as_long(slow):
    url, asked = slow

    async def run():
        async with AsyncCatchpan(url, deadline=0.6) as client:
            with pytest.raises(UnreachableError):
                await client.health()

    assert 0.55 < timed(lambda: asyncio.run(run())) < 0.75
    assert len(asked) == 2


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
    loaded = set(subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout.split())
    assert "catchpan" in loaded
    assert not loaded & {"numpy", "scipy", "sqlalchemy", "litestar", "alembic", "uvicorn", "cyclopts", "catchpan_service"}


@pytest.mark.parametrize("units", ["us", "si"])
def test_units_that_are_asked_for_are_told_where_there_are_any_and_hinder_nothing_else(app, keys, units):
    with Catchpan.in_process(app, key=keys["owner"], units=units) as client:
        assert client.materials().items == []
        assert client.add_material(wanted(1)).label_highest_rate.unit == "lb/1000ft2"
        asked = msgspec.convert(example("computeOpening"), OpeningRequest)
        assert client.opening(asked).flow.unit == {"us": "lb/min", "si": "kg/min"}[units]
