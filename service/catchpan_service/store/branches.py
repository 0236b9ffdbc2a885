"""Branches of an organisation."""

from collections.abc import Collection
from dataclasses import replace as altered
from uuid import UUID

from sqlalchemy import Connection

from catchpan.contract.branches import Branch, BranchPage, BranchRequest
from catchpan_service.store import tables
from catchpan_service.store.cursors import DEFAULT_LIMIT
from catchpan_service.store.documents import Documents
from catchpan_service.store.writes import Stamp, Written

KEPT = Documents(tables.branches, "branch", Branch)


def get(connection: Connection, organisation: UUID, subject: UUID) -> Branch:
    """The branch; NotFound."""
    return KEPT.get(connection, organisation, subject)


def named(connection: Connection, organisation: UUID, name: str) -> UUID:
    """The id of the branch of that name; NotFound."""
    return KEPT.named(connection, organisation, name)


def page(
    connection: Connection, organisation: UUID, cursor: str | None = None, limit: int = DEFAULT_LIMIT
) -> BranchPage:
    """One page of branches; BadCursor."""
    items, following = KEPT.page(connection, organisation, cursor, limit)
    return BranchPage(items=items, next=following)


def add(connection: Connection, organisation: UUID, stamp: Stamp, request: BranchRequest) -> Written[Branch]:
    """A new branch; Conflict if its name is in use."""
    return _heard(KEPT.add(connection, organisation, stamp, request.name, request))


def replace(
    connection: Connection,
    organisation: UUID,
    stamp: Stamp,
    subject: UUID,
    request: BranchRequest,
    expected: Collection[int] | None,
) -> Written[Branch]:
    """New content of a branch whose version is among those expected; NotFound, Stale, Conflict."""
    return _heard(KEPT.replace(connection, organisation, stamp, subject, request.name, request, expected))


def _heard(written: Written[Branch]) -> Written[Branch]:
    """The branch hears of its own change."""
    return Written(written.answer, tuple(altered(change, audience=change.id) for change in written.changes))
