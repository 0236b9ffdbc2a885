"""A copy of an SQLite database, made while the service works on it."""

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from catchpan_service.store.errors import BadLocation, SchemaMismatch


def back_up(place: str, target: Path) -> None:
    """Copy the database to a file that is not there yet; the copy appears whole and checked, or not at all.

    Raises
    ------
    BadLocation
        The database is no file; there is none; or the target is there already.
    SchemaMismatch
        The copy does not hold together: the database is damaged.
    """
    if "://" in place:
        raise BadLocation("PostgreSQL is backed up with its own tools: pg_dump, or base backups with its log.")
    if not Path(place).exists():
        raise BadLocation(f"There is no database {place}.")
    if target.exists():
        raise BadLocation(f"{target} is there already; name a new file.")
    partial = target.with_name(target.name + ".partial")
    partial.touch(mode=0o600)
    try:
        _copied(Path(place), partial)
        partial.replace(target)
    finally:
        partial.unlink(missing_ok=True)


def _copied(place: Path, partial: Path) -> None:
    source = f"file:{place.resolve().as_posix()}?mode=ro"
    with closing(sqlite3.connect(source, uri=True)) as live, closing(sqlite3.connect(partial)) as copy:
        live.backup(copy, pages=1000)
        copy.execute("PRAGMA journal_mode=DELETE")
        told = copy.execute("PRAGMA integrity_check").fetchone()[0]
    if told != "ok":
        raise SchemaMismatch(f"The database does not hold together: {told}.")
    descriptor = os.open(partial, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
