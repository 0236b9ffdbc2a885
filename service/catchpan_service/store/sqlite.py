"""SQLite: reads in line on connections that cannot write, and one thread that writes many at a time.

A write stands in a savepoint of its own within one transaction of many, and is acknowledged only after that
transaction's COMMIT. A full disk ends the whole transaction under its savepoints, and the driver says nothing of it; so
after every write we ask whether the transaction is still there, and if not, nobody in it is acknowledged and each
write runs again alone.
"""

import logging
import queue
import sqlite3
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Generic, TypeVar
from uuid import UUID

from sqlalchemy import URL, Connection, Engine, create_engine, event

from catchpan_service.store import feed
from catchpan_service.store.errors import Busy, Closed, TransactionLost
from catchpan_service.store.feed import Head
from catchpan_service.store.lockfile import LockFile
from catchpan_service.store.scopes import Scope

T = TypeVar("T")

log = logging.getLogger("catchpan.store")

GROUP: Final = 64  # writes in one transaction
WAIT_FOR_LOCK: Final = 5.0  # [s], for a backup that holds the file for a moment
SAFE: Final = (3, 51, 3)  # earlier ones can damage a WAL database that two connections write or checkpoint at once

_EVERY = ("PRAGMA foreign_keys=ON", "PRAGMA synchronous=FULL")
_READER = (*_EVERY, "PRAGMA query_only=ON")


@dataclass(frozen=True)
class Job(Generic[T]):
    """One write that waits: what to run, whose, whether to keep its effect, and where its outcome goes."""

    run: Callable[[Connection, Head], T]
    organisation: UUID
    keep: bool
    future: "Future[T]"


class SqliteEngine:
    """One database file: many readers, one writer, and a lock file for as long as it is open.

    Parameters
    ----------
    path : Path
        The database file, already migrated.
    lock : LockFile
        The lock on it, released by ``close``.
    room : int
        Writes that may wait; one more is refused with Busy.
    """

    hears_all = True

    def __init__(self, path: Path, *, lock: LockFile, room: int) -> None:
        self._lock = lock
        _warn_of_old_version()
        self._readers = _engine(path, "BEGIN", _READER)
        self._writers = _engine(path, "BEGIN IMMEDIATE", _EVERY)
        self._waiting: queue.Queue[Job[Any] | None] = queue.Queue()
        self._room = room
        self._gate = threading.Lock()
        self._closed = False
        self._thread = threading.Thread(target=self._write_all, name="catchpan-writer", daemon=True)
        self._thread.start()

    async def read(self, run: Callable[[Connection], T], scope: Scope) -> T:
        """The result of a function that reads; in line, since a thread would cost more than it."""
        return self.read_now(run, scope)

    def read_now(self, run: Callable[[Connection], T], scope: Scope) -> T:  # noqa: ARG002  queries name their rows
        """The result of a function that reads, on one snapshot."""
        if self._closed:
            raise Closed
        with self._readers.connect() as connection:
            return run(connection)

    def submit(
        self,
        run: Callable[[Connection, Head], T],
        organisation: UUID,
        *,
        keep: bool,
        administrator: bool = False,  # noqa: ARG002  there is no fence to open
    ) -> "Future[T]":
        """Queue a write; the future is done after its COMMIT, and cannot be cancelled."""
        future: Future[T] = Future()
        future.set_running_or_notify_cancel()
        with self._gate:
            if self._closed:
                raise Closed
            if self._waiting.qsize() >= self._room:
                raise Busy
            self._waiting.put(Job(run, organisation, keep, future))
        return future

    def close(self) -> None:
        """Finish the writes that wait, then close; the writer goes last, so that it makes the checkpoint."""
        with self._gate:
            if self._closed:
                return
            self._closed = True
            self._waiting.put(None)
        self._thread.join()
        self._readers.dispose()
        self._writers.dispose()
        self._lock.release()

    def _write_all(self) -> None:
        with self._writers.connect() as connection:
            for group in self._groups():
                settle(connection, group)

    def _groups(self) -> Iterator[list[Job[Any]]]:
        while (job := self._waiting.get()) is not None:
            group = [job]
            while len(group) < GROUP and (following := self._next()) is not None:
                group.append(following)
            yield group

    def _next(self) -> Job[Any] | None:
        """The next write, if one waits now; the mark of the end, which is always last, goes back."""
        try:
            job = self._waiting.get_nowait()
        except queue.Empty:
            return None
        if job is None:
            self._waiting.put(None)
        return job


def settle(connection: Connection, group: list[Job[Any]]) -> None:
    """Run the writes of a group and tell each its outcome, after the COMMIT that holds it."""
    try:
        outcomes = _commit(connection, group)
    except Busy as error:
        _refuse(group, error)
        return
    except Exception as error:  # noqa: BLE001  whatever it was, nothing of this group is stored
        _settle_apart(connection, group, error)
        return
    for job, (answer, refusal) in zip(group, outcomes, strict=True):
        if refusal is None:
            job.future.set_result(answer)
        else:
            job.future.set_exception(refusal)


def _settle_apart(connection: Connection, group: list[Job[Any]], error: Exception) -> None:
    if len(group) > 1:
        for job in group:
            settle(connection, [job])
    else:
        _refuse(group, error.__cause__ or error if isinstance(error, TransactionLost) else error)


def _refuse(group: list[Job[Any]], error: BaseException) -> None:
    for job in group:
        job.future.set_exception(error)


def _commit(connection: Connection, group: list[Job[Any]]) -> list[tuple[Any, BaseException | None]]:
    try:
        transaction = connection.begin()
    except sqlite3.OperationalError as error:  # another program holds the file, and did not let go in time
        raise Busy from error
    with transaction:
        return [_attempt(connection, job) for job in group]


def _attempt(connection: Connection, job: Job[Any]) -> tuple[Any, BaseException | None]:
    answer, refusal = None, None
    driver = _driver(connection)
    driver.execute("SAVEPOINT one")
    try:
        answer = job.run(connection, feed.head(connection, job.organisation))
    except BaseException as error:  # noqa: BLE001  told to the one who asked; the writer goes on
        refusal = error
    if not driver.in_transaction:
        raise TransactionLost from refusal
    if refusal is not None or not job.keep:
        driver.execute("ROLLBACK TO one")
    driver.execute("RELEASE one")
    return answer, refusal


def _driver(connection: Connection) -> sqlite3.Connection:
    """The driver's own connection, for the statements around transactions: they cost much less there."""
    driver = connection.connection.dbapi_connection
    assert isinstance(driver, sqlite3.Connection)
    return driver


def _engine(path: Path, begin: str, pragmas: tuple[str, ...]) -> Engine:
    """An engine whose transactions begin as we say: the driver's own opens none for a SELECT and so loses updates."""
    engine = create_engine(
        URL.create("sqlite", database=str(path)),
        connect_args={"timeout": WAIT_FOR_LOCK, "check_same_thread": False},
        max_overflow=-1,
        pool_reset_on_return=None,  # a connection ends its transaction itself when it goes back
    )

    @event.listens_for(engine, "connect")
    def prepare(connection: sqlite3.Connection, _record: object) -> None:
        connection.isolation_level = None
        for pragma in pragmas:
            connection.execute(pragma)

    @event.listens_for(engine, "begin")
    def begin_as_said(connection: Connection) -> None:
        _driver(connection).execute(begin)

    return engine


def _warn_of_old_version() -> None:
    if sqlite3.sqlite_version_info < SAFE:
        log.warning(
            "SQLite %s: versions before %s can damage a database that two processes write at once. "
            "Keep other programs from writing to the file while the service runs.",
            sqlite3.sqlite_version,
            ".".join(map(str, SAFE)),
        )
