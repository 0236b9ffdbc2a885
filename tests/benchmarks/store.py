"""How much of a bare driver's pace the store keeps: ``python -m tests.benchmarks.store``.

D1 SQLite and D2 PostgreSQL: 16 clients that save materials, with every row of bookkeeping, against a loop over the
driver that sends the same statements with the same values, recorded beforehand. SQLite's peer is one connection with
one COMMIT for each write, PostgreSQL's 16 threads with a psycopg connection each (psycopg with its C library, not
asyncpg). Both wait for the disk. Rounds are interleaved, each on a database of its own; figures are medians.
"""

import asyncio
import itertools
import logging
import shutil
import sqlite3
import statistics
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import psycopg
from sqlalchemy import Engine, event

from catchpan.contract.materials import MaterialRequest
from catchpan_service.store import materials, migrations, postgresql
from catchpan_service.store.database import Access, Database, Order
from catchpan_service.store.scopes import Scope
from tests.postgresql import Server, serving
from tests.store.office import found, open_database, reply

CLIENTS = 16
WRITES = 800
ROUNDS = 5


class Statement(NamedTuple):
    """What SQLAlchemy handed to the driver."""

    text: str
    values: Any
    many: bool


class Write(NamedTuple):
    """The statements of one write, and whose it is."""

    access: Access
    statements: list[Statement]


def order(access: Access, n: int) -> Order:
    return Order(access, "POST /v1/materials", f"key {n}", "0" * 64)


def request(n: int) -> MaterialRequest:
    return MaterialRequest(name=f"Lot {n}", note="x" * 500)


def recorded(database: Database, engine: Engine, offices: list[Access]) -> list[Write]:
    """Save materials one after another, and keep what was sent to the driver."""
    seen: list[Statement] = []

    @event.listens_for(engine, "before_cursor_execute")
    def note(_: Any, __: Any, text: str, values: Any, ___: Any, many: bool) -> None:
        seen.append(Statement(text, values, many))

    writes = []
    for n, access in zip(range(WRITES), itertools.cycle(offices), strict=False):
        seen.clear()
        asyncio.run(database.write(materials.add, order(access, n), request(n), reply=reply))
        writes.append(Write(access, seen.copy()))
    return writes


async def save(database: Database, offices: list[Access]) -> None:
    """The same materials from 16 clients at once."""
    left = iter(range(WRITES))

    async def client(access: Access) -> None:
        for n in left:
            await database.write(materials.add, order(access, n), request(n), reply=reply)

    await asyncio.gather(*(client(access) for access, _ in zip(itertools.cycle(offices), range(CLIENTS), strict=False)))


def pace(work: Callable[[], Any]) -> float:
    """Writes a second."""
    began = time.perf_counter()
    work()
    return WRITES / (time.perf_counter() - began)


def run(execute: Any, statements: list[Statement]) -> None:
    """Send statements, and fetch what they find."""
    for text, values, many in statements:
        cursor = execute.cursor()
        (cursor.executemany if many else cursor.execute)(text, values)
        if cursor.description:
            cursor.fetchall()


def tell(name: str, goal: float, ours: list[float], peer: list[float]) -> None:
    ratios = [one / other for one, other in zip(ours, peer, strict=True)]
    figures = f"{statistics.median(ours):6.0f} of {statistics.median(peer):6.0f} writes/s"
    spread = f"{min(ratios):.2f} to {max(ratios):.2f}"
    print(f"{name:<62} {statistics.median(ratios):5.2f} ({spread}), {figures}   goal {goal}")


def on_sqlite(folder: Path) -> None:
    start = folder / "start.sqlite"
    migrations.upgrade(start)
    with open_database(start) as database:
        office = found(database, "Larkmead Grounds")
    copies = (folder / f"{n}.sqlite" for n in itertools.count())

    def copy() -> Path:
        return Path(shutil.copy(start, next(copies)))

    with open_database(copy()) as database:
        writes = recorded(database, database._engine._writers, [office])  # type: ignore[attr-defined]

    def ours() -> float:
        with open_database(copy()) as database:
            return pace(lambda: asyncio.run(save(database, [office])))

    def peer() -> float:
        connection = sqlite3.connect(copy(), isolation_level=None)
        connection.execute("PRAGMA foreign_keys=ON")
        connection.execute("PRAGMA synchronous=FULL")

        def loop() -> None:
            for write in writes:
                connection.execute("BEGIN IMMEDIATE")
                connection.execute("SAVEPOINT one")
                run(connection, write.statements)
                connection.execute("RELEASE one")
                connection.execute("COMMIT")

        found = pace(loop)
        connection.close()
        return found

    rounds = [(ours(), peer()) for _ in range(ROUNDS)]
    tell("D1 SQLite, 16 clients, of one connection's loop", 0.7, *map(list, zip(*rounds, strict=True)))


def on_postgresql(server: Server, companies: int) -> None:
    start = server.add()
    with open_database(address(server, start)) as database:
        offices = [found(database, f"Company {n}") for n in range(companies)]
    with copied(server, start) as name, open_database(address(server, name)) as database:
        writes = recorded(database, database._engine._engine, offices)  # type: ignore[attr-defined]

    def ours() -> float:
        with copied(server, start) as name, open_database(address(server, name), connections=CLIENTS) as database:
            return pace(lambda: asyncio.run(save(database, offices)))

    def peer() -> float:
        with copied(server, start) as name, ThreadPoolExecutor(CLIENTS) as threads:
            bare = address(server, name).replace("+psycopg", "")
            connections = [psycopg.connect(bare, autocommit=True) for _ in range(CLIENTS)]
            shares = Shared(writes)
            found = pace(lambda: list(threads.map(lambda connection: bare_client(connection, shares), connections)))
            for connection in connections:
                connection.close()
            return found

    rounds = [(ours(), peer()) for _ in range(ROUNDS)]
    server.drop(start)
    said = "one company" if companies == 1 else f"{companies} companies"
    tell(f"D2 PostgreSQL, 16 clients of {said}, of bare psycopg", 0.25, *map(list, zip(*rounds, strict=True)))


class Shared(Iterator[Write]):
    """Writes that threads take one by one."""

    def __init__(self, writes: list[Write]) -> None:
        self._left = iter(writes)
        self._gate = threading.Lock()

    def __next__(self) -> Write:
        with self._gate:
            return next(self._left)


def bare_client(connection: "psycopg.Connection[Any]", writes: Shared) -> None:
    for write in writes:
        scope = Scope(write.access.organisation)
        opening = f"BEGIN; {postgresql._settings(scope)}; {postgresql._lock(scope)}"
        connection.execute(opening.encode())
        run(connection, write.statements)
        connection.commit()


@contextmanager
def copied(server: Server, start: str) -> Iterator[str]:
    """The name of a copy of a database, for as long as this lasts."""
    name = server.add(start)
    yield name
    server.drop(name)


def address(server: Server, name: str) -> str:
    return server.login.set(database=name).render_as_string(hide_password=False)


def main() -> None:
    """Print every ratio."""
    logging.getLogger("catchpan.store").setLevel(logging.ERROR)
    with tempfile.TemporaryDirectory() as folder:
        on_sqlite(Path(folder))
    with serving(quick=False) as server:
        on_postgresql(server, 1)
        on_postgresql(server, CLIENTS)


if __name__ == "__main__":
    main()
