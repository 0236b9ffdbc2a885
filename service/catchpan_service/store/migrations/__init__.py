"""Bringing a database up to the schema of this version.

Migrations run on a plain engine of their own, in one transaction. On SQLite foreign keys are off: a batch change of a
parent table with them on deletes the child rows, silently; so they end with a check that fails on any broken reference.
On PostgreSQL one process at a time migrates, and puts up the fence around every table.
"""

import sqlite3
from functools import cache
from pathlib import Path
from typing import Any, Final

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import URL, Connection, Engine, NullPool, create_engine, event

from catchpan_service.store import fence
from catchpan_service.store.errors import SchemaMismatch

HERE: Final = Path(__file__).parent
ONE_AT_A_TIME: Final = 0x6D69_6772  # the advisory lock of whoever migrates
PAGE_SIZE: Final = 16384  # contents have some kB: with the usual 4096 they spill over and waste the rest


def upgrade(place: Path | URL, revision: str = "head") -> None:
    """Make the tables in an SQLite file or in PostgreSQL, or bring them up to a revision; all of it or nothing.

    Raises
    ------
    SchemaMismatch
        A newer version made the database, or a reference in it is broken.
    """
    if isinstance(place, Path) and not place.exists():
        place.touch(mode=0o600)
    with _engine(place).begin() as connection:
        refuse_newer(connection)
        _refuse_other_encodings(connection)
        if current(connection) != revisions()[-1]:
            command.upgrade(_config(connection), revision)
            _finish(connection)


def require_current(place: Path | URL) -> None:
    """Refuse with SchemaMismatch unless the database has the schema of this version."""
    if isinstance(place, Path) and not place.exists():
        raise SchemaMismatch(f"There is no database {place}.")
    with _engine(place).connect() as connection:
        refuse_newer(connection)
        if current(connection) != revisions()[-1]:
            raise SchemaMismatch("The database has the schema of an older version; upgrade it first.")


def refuse_newer(connection: Connection) -> None:
    """Refuse with SchemaMismatch a database that a newer version made."""
    found = current(connection)
    if found is not None and found not in revisions():
        raise SchemaMismatch(f"A newer version made this database (schema {found}); use that one or a later one.")


def _refuse_other_encodings(connection: Connection) -> None:
    if connection.dialect.name == "postgresql":
        encoding = connection.exec_driver_sql("SHOW server_encoding").scalar_one()
        if encoding != "UTF8":
            raise SchemaMismatch(f"The database must be made with the encoding UTF8, not {encoding}.")


def current(connection: Connection) -> str | None:
    """The revision that the database is at; none for an empty one."""
    return MigrationContext.configure(connection).get_current_revision()


@cache
def revisions() -> tuple[str, ...]:
    """The revisions that this version knows, oldest first."""
    scripts = ScriptDirectory.from_config(_config(None))
    return tuple(script.revision for script in scripts.walk_revisions())[::-1]


def _config(connection: Connection | None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(HERE).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    return config


def _finish(connection: Connection) -> None:
    if connection.dialect.name == "postgresql":
        fence.put_up(connection)
    else:
        _check_references(connection)


def _check_references(connection: Connection) -> None:
    broken = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
    if broken:
        tables = ", ".join(sorted({row[0] for row in broken}))
        raise SchemaMismatch(f"The upgrade was undone: {len(broken)} rows refer to nothing, in {tables}.")


def _engine(place: Path | URL) -> Engine:
    return _postgresql(place) if isinstance(place, URL) else _sqlite(place)


def _postgresql(url: URL) -> Engine:
    engine = create_engine(url, poolclass=NullPool)

    @event.listens_for(engine, "begin")
    def alone(connection: Connection) -> None:
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({ONE_AT_A_TIME})")

    return engine


def _sqlite(path: Path) -> Engine:
    engine = create_engine(URL.create("sqlite", database=str(path)), poolclass=NullPool)

    @event.listens_for(engine, "connect")
    def prepare(connection: sqlite3.Connection, _record: Any) -> None:
        connection.isolation_level = None
        # Page size and journal can be chosen only here, before the first table.
        for pragma in (f"page_size={PAGE_SIZE}", "journal_mode=WAL", "synchronous=FULL", "foreign_keys=OFF"):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE")

    return engine
