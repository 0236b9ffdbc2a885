"""Machine kinds of an organisation."""

from collections.abc import Collection
from uuid import UUID

from sqlalchemy import Connection

from catchpan.contract.machine_kinds import MachineKind, MachineKindPage, MachineKindRequest
from catchpan_service.store import tables
from catchpan_service.store.cursors import DEFAULT_LIMIT
from catchpan_service.store.documents import Documents
from catchpan_service.store.writes import Stamp, Written

KEPT = Documents(tables.machine_kinds, "machine_kind", MachineKind)


def get(connection: Connection, organisation: UUID, subject: UUID) -> MachineKind:
    """The machine kind; NotFound."""
    return KEPT.get(connection, organisation, subject)


def page(
    connection: Connection, organisation: UUID, cursor: str | None = None, limit: int = DEFAULT_LIMIT
) -> MachineKindPage:
    """One page of machine kinds; BadCursor."""
    items, following = KEPT.page(connection, organisation, cursor, limit)
    return MachineKindPage(items=items, next=following)


def add(connection: Connection, organisation: UUID, stamp: Stamp, request: MachineKindRequest) -> Written[MachineKind]:
    """A new machine kind; Conflict if its name is in use."""
    return KEPT.add(connection, organisation, stamp, request.name, request)


def replace(
    connection: Connection,
    organisation: UUID,
    stamp: Stamp,
    subject: UUID,
    request: MachineKindRequest,
    expected: Collection[int] | None,
) -> Written[MachineKind]:
    """New content of a machine kind whose version is among those expected; NotFound, Stale, Conflict."""
    return KEPT.replace(connection, organisation, stamp, subject, request.name, request, expected)
