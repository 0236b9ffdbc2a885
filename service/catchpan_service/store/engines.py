"""The seam between the database and what differs from one kind of database to another."""

from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Protocol, TypeVar

from sqlalchemy import Connection, make_url

from catchpan_service.store import migrations
from catchpan_service.store.lockfile import LockFile
from catchpan_service.store.sqlite import SqliteEngine

T = TypeVar("T")


class StoreEngine(Protocol):
    """Where store functions run."""

    def read(self, run: Callable[[Connection], T]) -> T:
        """The result of a function that reads, on one snapshot."""

    def submit(self, run: Callable[[Connection], T], *, keep: bool) -> "Future[T]":
        """Run a write; the future is done once it is stored, or undone where it is not to be kept."""

    def close(self) -> None:
        """Finish the writes that wait, and let go of the database."""


def open_engine(location: str | Path, *, migrate: bool, room: int) -> StoreEngine:
    """The engine for a location: the path of an SQLite file, or its URL."""
    path = _path(location)
    lock = LockFile(path)
    try:
        if migrate:
            migrations.upgrade(path)
        else:
            migrations.require_current(path)
    except BaseException:
        lock.release()
        raise
    return SqliteEngine(path, lock=lock, room=room)


def _path(location: str | Path) -> Path:
    if "://" not in str(location):
        return Path(location).resolve()
    url = make_url(str(location))
    if url.get_backend_name() != "sqlite" or not url.database:
        raise ValueError(f"a database that cannot be used here: {url.get_backend_name()}; give the path of a file")
    return Path(url.database).resolve()
