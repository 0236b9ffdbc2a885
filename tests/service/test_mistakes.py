"""Mistakes of the service's own, and a store that does not answer: problems too, that leak nothing."""

import json
import sqlite3
import threading
from uuid import UUID

import msgspec
import pytest
from litestar import get
from litestar.exceptions import InternalServerException, TooManyRequestsException
from sqlalchemy.exc import IntegrityError, OperationalError

from catchpan.contract.problems import Slug
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.store.errors import Closed, Uncertain, Unreachable
from tests.scenario import MISSING, is_problem, serving

SECRET = "/srv/secret/place SELECT hash FROM keys WHERE catchpan-AAAA"


def provoke(error):
    @get("/provoke", sync_to_thread=False)
    def handler() -> None:
        raise error

    return handler


@pytest.fixture
def provoked(tmp_path):
    """Asks a service of its own for a path that fails with an error."""
    with serving(tmp_path) as web:

        def ask(error):
            web.app.register(provoke(error))
            return web.send("GET", "/provoke")

        yield ask


@pytest.mark.parametrize(
    "error",
    [
        RuntimeError(SECRET),
        KeyError(SECRET),
        AssertionError(SECRET),
        RecursionError(SECRET),
        InternalServerException(SECRET),
        IntegrityError(SECRET, {"hash": SECRET}, sqlite3.IntegrityError(SECRET)),
        sqlite3.ProgrammingError(SECRET),
        msgspec.DecodeError(SECRET),
        CalibrationError("bad_curve", SECRET, where=("curve",)),
    ],
    ids=lambda error: type(error).__name__,
)
def test_a_mistake_of_the_service_leaks_nothing_and_is_logged_by_its_place(provoked, capsys, error):
    answer = provoked(error)
    found = is_problem(answer, Slug.INTERNAL)
    seen = answer.text + str(answer.headers)
    log = capsys.readouterr().err
    for part in ("secret", "SELECT", "catchpan-AAAA", "Traceback", "hash", "sqlite"):
        assert part not in seen
    assert "secret" not in log
    assert "catchpan-AAAA" not in log
    line = next(json.loads(line) for line in log.splitlines() if '"mistake"' in line)
    assert (line["id"], line["mistake"]) == (found.request, type(error).__name__)
    assert any("handler" in place for place in line["at"])


@pytest.mark.parametrize(
    "error",
    [
        OperationalError(SECRET, {}, sqlite3.OperationalError("disk full")),
        Closed(),
        Unreachable(SECRET),
        Uncertain(SECRET),
    ],
    ids=["full disk", "closed", "gone", "gone at the last moment"],
)
def test_a_store_that_does_not_answer_says_when_to_try_again(provoked, error):
    answer = provoked(error)
    is_problem(answer, Slug.STORAGE)
    assert int(answer.headers["retry-after"]) > 0
    assert "SELECT" not in answer.text
    assert ("nothing was stored" in answer.text) != isinstance(error, Uncertain)


def test_a_status_of_the_framework_that_we_do_not_use_is_still_a_problem(provoked):
    is_problem(provoked(TooManyRequestsException()), Slug.UNREADABLE)


def test_more_writes_than_there_is_room_for_are_told_to_come_back(tmp_path):
    with serving(tmp_path, max_waiting=1) as web:
        web.made("GET", "/v1/materials")
        held, started = threading.Event(), threading.Event()

        def hold(*_):
            started.set()
            held.wait(10)

        engine = web.app.state.database._engine
        waiting = [engine.submit(hold, UUID(MISSING), keep=False)]
        assert started.wait(10)
        waiting.append(engine.submit(hold, UUID(MISSING), keep=False))
        answer = web.send("POST", "/v1/materials", {"name": "one too many"})
        held.set()
        assert [one.result(10) for one in waiting] == [None, None]
        is_problem(answer, Slug.BUSY)
        assert int(answer.headers["retry-after"]) > 0
        assert web.made("GET", "/v1/materials")["items"] == []
