"""One effect for each call, though answers are lost, and nobody waits past the deadline."""

import asyncio
import random
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import httpx
import msgspec
import pytest

from catchpan import AsyncCatchpan, Catchpan, retry
from catchpan.contract.materials import MaterialRequest
from catchpan.contract.problems import Problem
from catchpan.errors import BusyError, StaleError, UnreachableError
from catchpan.inprocess import AsyncInProcess, InProcess
from tests.scenario import example


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


@pytest.mark.parametrize("count", [200, pytest.param(1000, marks=pytest.mark.long)])
def test_so_many_creates_make_so_many_materials_though_answers_are_lost(app, keys, hasty, count):
    async def run():
        transport = Losing(app)
        async with AsyncCatchpan("http://losing", key=keys["owner"], transport=transport) as client:
            made = await asyncio.gather(*[client.add_material(wanted(number)) for number in range(count)])
            stored = [one async for one in client.all_materials()]
        return made, stored, transport.lost

    made, stored, lost = asyncio.run(run())
    assert lost > count / 5
    assert sorted(one.id for one in made) == sorted(one.id for one in stored)
    assert {one.name for one in stored} == {f"invented {number}" for number in range(count)}
    assert len(stored) == count


@pytest.mark.parametrize("count", [200, pytest.param(1000, marks=pytest.mark.long)])
def test_the_synchronous_client_makes_no_more_and_no_fewer(app, keys, hasty, count):
    transport = LosingInThreads(app)
    with Catchpan("http://losing", key=keys["owner"], transport=transport) as client:
        with ThreadPoolExecutor(20) as pool:
            made = list(pool.map(lambda number: client.add_material(wanted(number)), range(count)))
        stored = list(client.all_materials())
    assert transport.lost > count / 5
    assert sorted(one.id for one in made) == sorted(one.id for one in stored)
    assert len({one.name for one in stored}) == len(stored) == count


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

    assert 0.55 < timed(ask) < 5
    assert len(asked) == 2


def test_the_asynchronous_client_waits_as_long(slow):
    url, asked = slow

    async def run():
        async with AsyncCatchpan(url, deadline=0.6) as client:
            with pytest.raises(UnreachableError):
                await client.health()

    assert 0.55 < timed(lambda: asyncio.run(run())) < 5
    assert len(asked) == 2
