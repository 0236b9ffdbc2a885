"""PostgreSQL: a pool of connections and as many threads; several processes on one database behave as one.

Every call is one transaction. It opens with one message of several statements, which take effect one after another: the
role that row-level security binds, whose rows may be seen, and for a write the lock on the organisation's counter, so
that writes of one organisation run one after another and a store function may read, decide and write.
"""

import asyncio
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from functools import partial
from typing import Any, Final, TypeVar
from uuid import UUID

import psycopg
from psycopg import sql
from psycopg.errors import LockNotAvailable
from psycopg.pq import TransactionStatus
from sqlalchemy import URL, Connection, create_engine
from sqlalchemy.exc import OperationalError

from catchpan_service.store.errors import Busy, Closed, TransactionLost, Uncertain, Unreachable
from catchpan_service.store.feed import EMPTY, Head
from catchpan_service.store.fence import ADMINISTRATOR, TENANT
from catchpan_service.store.scopes import Scope

T = TypeVar("T")

WAIT_FOR_LOCK: Final = "5s"  # for the writes of the same organisation that go before
LONGEST_IDLE: Final = "60s"  # within a transaction, after which the server takes the counter back
ADDING_ORGANISATIONS: Final = 0x6361_7463  # an advisory lock: names of organisations are unique over all of them
# A server that vanished without a word is noticed in some seconds; whatever the address itself says goes before.
CONNECTING: Final = {"connect_timeout": "5", "tcp_user_timeout": "10000", "keepalives_idle": "5"}

_READ: Final = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"
_WRITE: Final = "BEGIN"


class PostgresqlEngine:
    """One database, already migrated.

    Parameters
    ----------
    url : URL
        Its address and login.
    connections : int
        Connections, and threads that use them.
    room : int
        Calls that may wait for a thread; one more is refused with Busy.
    """

    hears_all = False

    def __init__(self, url: URL, *, connections: int, room: int) -> None:
        self._engine = create_engine(
            url.update_query_dict({name: url.query.get(name, value) for name, value in CONNECTING.items()}),
            pool_size=connections,
            max_overflow=0,
            connect_args={"autocommit": True, "client_encoding": "utf8"},  # the opening says where a transaction begins
        )
        self._threads = ThreadPoolExecutor(connections, thread_name_prefix="catchpan-database")
        self._room = room
        self._waiting = 0
        self._gate = threading.Lock()
        self._closed = False

    async def read(self, run: Callable[[Connection], T], scope: Scope) -> T:
        """The result of a function that reads, on one snapshot, without holding the event loop up."""
        return await asyncio.wrap_future(self._later(partial(self._read, run, scope)))

    def read_now(self, run: Callable[[Connection], T], scope: Scope) -> T:
        """``read`` without an event loop."""
        return self._later(partial(self._read, run, scope)).result()

    def submit(
        self, run: Callable[[Connection, Head], T], organisation: UUID, *, keep: bool, administrator: bool = False
    ) -> "Future[T]":
        """Queue a write; the future is done after its COMMIT, and cannot be cancelled."""
        scope = Scope(organisation, administrator=administrator)
        return self._later(partial(self._write, run, scope, keep=keep))

    def close(self) -> None:
        """Finish the calls that wait, then let go of the database."""
        with self._gate:
            self._closed = True
        self._threads.shutdown()
        self._engine.dispose()

    def _later(self, call: Callable[[], T]) -> "Future[T]":
        future: Future[T] = Future()
        future.set_running_or_notify_cancel()
        with self._gate:
            if self._closed:
                raise Closed
            if self._waiting >= self._room:
                raise Busy
            self._waiting += 1
            self._threads.submit(self._settle, call, future)
        return future

    def _settle(self, call: Callable[[], T], future: "Future[T]") -> None:
        with self._gate:
            self._waiting -= 1
        try:
            future.set_result(call())
        except BaseException as error:  # noqa: BLE001  told to the one who asked; the thread goes on
            future.set_exception(error)

    def _read(self, run: Callable[[Connection], T], scope: Scope) -> T:
        with self._begun(f"{_READ}; {_settings(scope)}") as (connection, _):
            answer = run(connection)
            _commit(connection, Unreachable)  # a rollback would make the driver forget its prepared statements
        return answer

    def _write(self, run: Callable[[Connection, Head], T], scope: Scope, *, keep: bool) -> T:
        with self._begun(f"{_WRITE}; {_settings(scope)}; {_lock(scope)}") as (connection, counter):
            answer = run(connection, Head(*counter) if counter else EMPTY)
            if keep:
                _commit(connection, Uncertain)
        return answer

    @contextmanager
    def _begun(self, opening: str) -> Iterator[tuple[Connection, Any]]:
        """A connection on which a transaction has begun, and the last row of its opening; undone if not committed."""
        connection, row = self._begin(opening, again=True)
        with connection:
            yield connection, row

    def _begin(self, opening: str, *, again: bool) -> tuple[Connection, Any]:
        try:
            connection = self._engine.connect()
        except OperationalError as error:
            raise Unreachable from error
        driver = _driver(connection)
        try:
            return connection, _last_row(driver, opening)
        except psycopg.OperationalError as error:
            if isinstance(error, LockNotAvailable):
                connection.close()
                raise Busy from error
            connection.invalidate(error)
            connection.close()
            if not again:
                raise Unreachable from error
        self._engine.dispose()  # one connection of the pool had ended while it lay there, so the others have too
        return self._begin(opening, again=False)


def _settings(scope: Scope) -> str:
    """The statement that takes up the role and says whose rows it is about, until the transaction ends."""
    values = {
        "role": ADMINISTRATOR if scope.administrator else TENANT,
        "catchpan.organisation": str(scope.organisation or ""),
        "catchpan.presented": scope.presented,
        "lock_timeout": WAIT_FOR_LOCK,
        "idle_in_transaction_session_timeout": LONGEST_IDLE,
    }
    return "SELECT " + ", ".join(f"set_config('{name}', {sql.quote(value)}, true)" for name, value in values.items())


def _lock(scope: Scope) -> str:
    """The statement that holds the organisation's counter until the transaction ends, and tells where it stands."""
    one = sql.quote(str(scope.organisation))
    counter = f"SELECT position, chain_head, hearing FROM counters WHERE organisation = {one} FOR UPDATE"  # noqa: S608  quoted
    return f"SELECT pg_advisory_xact_lock({ADDING_ORGANISATIONS}); {counter}" if scope.administrator else counter


def _last_row(driver: "psycopg.Connection[Any]", statements: str) -> Any:
    cursor = driver.execute(statements.encode())
    while cursor.nextset():
        pass
    return cursor.fetchone()


def _commit(connection: Connection, cut: type[Unreachable]) -> None:
    """Store what was written; a statement that failed has undone it all, and COMMIT would not say so.

    ``cut`` says what it means if the connection ends here.
    """
    driver = _driver(connection)
    if driver.info.transaction_status != TransactionStatus.INTRANS:
        raise TransactionLost
    try:
        driver.commit()
    except psycopg.OperationalError as error:
        connection.invalidate(error)
        raise cut from error


def _driver(connection: Connection) -> "psycopg.Connection[Any]":
    driver = connection.connection.driver_connection
    assert isinstance(driver, psycopg.Connection)
    return driver
