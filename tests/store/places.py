"""A database of either kind for a test, and a way to it that no fence and no rule of the service is in front of."""

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Engine, NullPool, create_engine, select, text

from catchpan_service.store.database import Database
from catchpan_service.store.engines import place_of
from catchpan_service.store.tables import metadata
from tests.postgresql import Server
from tests.store.office import open_database


class Place:
    """Where a database is kept.

    Parameters
    ----------
    location : str
        What the service is told.
    outside : Engine
        The administrator's own connections.
    """

    def __init__(self, location: str, outside: Engine) -> None:
        self.location = location
        self.outside = outside

    @property
    def place(self) -> Path | URL:
        """The location as migrations take it."""
        return place_of(self.location)

    def open(self, clock: Callable[[], datetime] | None = None, **options: Any) -> Database:
        """The service's database on it."""
        return open_database(self.location, clock, **options)

    def rows(self, statement: str, **values: Any) -> list[tuple[Any, ...]]:
        """What a query finds."""
        with self.outside.connect() as connection:
            return [tuple(row) for row in connection.execute(text(statement), values)]

    def change(self, *statements: Any) -> None:
        """Run statements: text, or built ones."""
        with self.outside.begin() as connection:
            for statement in statements:
                connection.execute(text(statement) if isinstance(statement, str) else statement)

    def dump(self) -> str:
        """Every row of every table, one on a line."""
        with self.outside.connect() as connection:
            return "\n".join(
                f"{table.name} {row!r}"
                for table in metadata.sorted_tables
                for row in connection.execute(select(table).order_by(*table.primary_key))
            )


def file_place(path: Path) -> Place:
    """An SQLite file."""
    return Place(str(path), create_engine(f"sqlite:///{path}", poolclass=NullPool))


def server_place(server: Server, database: str) -> Place:
    """A database of a PostgreSQL server."""
    location = server.login.set(database=database).render_as_string(hide_password=False)
    return Place(location, server.outside(database))


def wipe(place: Place) -> None:
    """Remove every row."""
    place.change(f"TRUNCATE {', '.join(metadata.tables)}")
