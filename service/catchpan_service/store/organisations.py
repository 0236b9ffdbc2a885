"""Organisations: made on the database itself, never over the network."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Row, func, insert, select

from catchpan.quantities import System
from catchpan_service.store import feed, signers
from catchpan_service.store.errors import Conflict, NotFound
from catchpan_service.store.tables import organisations
from catchpan_service.store.writes import Change, Stamp, Written


@dataclass(frozen=True)
class StoredOrganisation:
    """An organisation as stored."""

    id: UUID
    name: str
    units: System
    created: datetime


def all_of_them(connection: Connection) -> list[StoredOrganisation]:
    """Every organisation, by name: for the administrator alone."""
    return [_stored(row) for row in connection.execute(select(organisations).order_by(organisations.c.name))]


def count(connection: Connection) -> int:
    """How many organisations there are: whether the database answers."""
    return connection.execute(select(func.count()).select_from(organisations)).scalar_one()


def named(connection: Connection, name: str) -> StoredOrganisation:
    """The organisation of that name: for the administrator alone; NotFound."""
    row = connection.execute(select(organisations).where(organisations.c.name == name)).one_or_none()
    if row is None:
        raise NotFound("organisation", name)
    return _stored(row)


def add(connection: Connection, organisation: UUID, stamp: Stamp, seed: bytes) -> Written[StoredOrganisation]:
    """A new organisation, as its administrator's access describes it; Conflict if its name is in use.

    ``seed`` are the 32 random bytes of its first signing key.
    """
    access = stamp.access
    taken = connection.execute(
        select(organisations.c.organisation).where(organisations.c.name == access.organisation_name)
    ).scalar_one_or_none()
    if taken is not None:
        raise Conflict(f"Another organisation is called {access.organisation_name}.", field="name", existing=str(taken))
    made = StoredOrganisation(organisation, access.organisation_name, access.units, stamp.now)
    connection.execute(
        insert(organisations).values(organisation=made.id, name=made.name, units=made.units, created=made.created)
    )
    feed.start(connection, organisation)
    signers.start(connection, organisation, seed, stamp.now)
    return Written(made, (Change("organisation", str(organisation), "added"),))


def _stored(row: Row[Any]) -> StoredOrganisation:
    return StoredOrganisation(row.organisation, row.name, row.units, row.created)
