"""Materials of an organisation."""

from collections.abc import Collection
from uuid import UUID

from sqlalchemy import Connection

from catchpan.contract.materials import Material, MaterialPage, MaterialRequest
from catchpan_service.store import tables
from catchpan_service.store.cursors import DEFAULT_LIMIT
from catchpan_service.store.documents import Documents
from catchpan_service.store.writes import Stamp, Written

KEPT = Documents(tables.materials, "material", Material)


def get(connection: Connection, organisation: UUID, subject: UUID) -> Material:
    """The material; NotFound."""
    return KEPT.get(connection, organisation, subject)


def page(
    connection: Connection, organisation: UUID, cursor: str | None = None, limit: int = DEFAULT_LIMIT
) -> MaterialPage:
    """One page of materials; BadCursor."""
    items, following = KEPT.page(connection, organisation, cursor, limit)
    return MaterialPage(items=items, next=following)


def add(connection: Connection, organisation: UUID, stamp: Stamp, request: MaterialRequest) -> Written[Material]:
    """A new material; Conflict if its name is in use."""
    return KEPT.add(connection, organisation, stamp, request.name, request)


def replace(
    connection: Connection,
    organisation: UUID,
    stamp: Stamp,
    subject: UUID,
    request: MaterialRequest,
    expected: Collection[int] | None,
) -> Written[Material]:
    """New content of a material whose version is among those expected; NotFound, Stale, Conflict."""
    return KEPT.replace(connection, organisation, stamp, subject, request.name, request, expected)
