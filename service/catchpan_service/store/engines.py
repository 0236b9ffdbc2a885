"""The seam between the database and what differs from one kind of database to another."""

from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Protocol, TypeVar
from uuid import UUID

from sqlalchemy import URL, Connection, make_url
from sqlalchemy.exc import ArgumentError, OperationalError

from catchpan_service.store import fence, migrations
from catchpan_service.store.errors import BadLocation, Unreachable
from catchpan_service.store.feed import Head
from catchpan_service.store.lockfile import LockFile
from catchpan_service.store.scopes import ADMINISTRATOR, Scope
from catchpan_service.store.sqlite import SqliteEngine

T = TypeVar("T")


class StoreEngine(Protocol):
    """Where store functions run.

    ``hears_all`` says whether every write to the database is made by this engine.
    """

    hears_all: bool

    async def read(self, run: Callable[[Connection], T], scope: Scope) -> T:
        """The result of a function that reads, on one snapshot, without holding the event loop up for long."""

    def read_now(self, run: Callable[[Connection], T], scope: Scope) -> T:
        """``read`` without an event loop."""

    def submit(
        self, run: Callable[[Connection, Head], T], organisation: UUID, *, keep: bool, administrator: bool = False
    ) -> "Future[T]":
        """Run a write of an organisation, alone among its writes, with the head of its feed.

        The future is done once it is stored, or undone where it is not to be kept.
        """

    def close(self) -> None:
        """Finish what waits, and let go of the database."""


def open_engine(location: str | Path, *, migrate: bool, room: int, connections: int) -> StoreEngine:
    """The engine for a location: the path of an SQLite file, or the address of a database."""
    place = place_of(location)
    if isinstance(place, URL):
        return _open_postgresql(place, migrate=migrate, room=room, connections=connections)
    lock = LockFile(place)
    try:
        _prepare(place, migrate=migrate)
    except BaseException:
        lock.release()
        raise
    return SqliteEngine(place, lock=lock, room=room)


def place_of(location: str | Path) -> Path | URL:
    """The file or the address of PostgreSQL that a location names; BadLocation for anything else."""
    if "://" not in str(location):
        return Path(location).resolve()
    try:
        url = make_url(str(location))
    except ArgumentError as error:
        raise BadLocation("an address of a database that cannot be read") from error
    if url.get_backend_name() == "postgresql":
        return url.set(drivername="postgresql+psycopg")
    if url.get_backend_name() != "sqlite" or not url.database:
        raise BadLocation(f"a database that cannot be used here: {url.get_backend_name()}; give the path of a file")
    return Path(url.database).resolve()


def shown(location: str | Path) -> str:
    """A location as it may be told to anybody who looks: without its password."""
    place = place_of(location)
    return place.render_as_string(hide_password=True) if isinstance(place, URL) else str(location)


def _open_postgresql(url: URL, *, migrate: bool, room: int, connections: int) -> StoreEngine:
    from catchpan_service.store.postgresql import PostgresqlEngine  # the driver is imported only where it is used

    try:
        _prepare(url, migrate=migrate)
    except OperationalError as error:
        raise Unreachable(str(error.orig)) from error
    engine = PostgresqlEngine(url, connections=connections, room=room)
    try:
        for scope in (Scope(), ADMINISTRATOR):
            engine.read_now(fence.require, scope)
    except BaseException:
        engine.close()
        raise
    return engine


def _prepare(place: Path | URL, *, migrate: bool) -> None:
    if migrate:
        migrations.upgrade(place)
    else:
        migrations.require_current(place)
