"""Machines of an organisation: each at one branch, and of one kind."""

from collections.abc import Collection
from dataclasses import replace as altered
from uuid import UUID

import msgspec
from sqlalchemy import Connection

from catchpan.contract.branches import Machine, MachinePage, MachineRequest
from catchpan_service.store import branches, factors, history, holdings, machine_kinds, tables
from catchpan_service.store.cursors import DEFAULT_LIMIT
from catchpan_service.store.documents import Documents
from catchpan_service.store.errors import NotFound, named_by
from catchpan_service.store.writes import Stamp, Written

KEPT = Documents(tables.machines, "machine", Machine, mirrored=("branch", "machine_kind"))


def get(connection: Connection, organisation: UUID, subject: UUID, branch: UUID | None = None) -> Machine:
    """The machine; NotFound, also for one of another branch where only one is asked about."""
    found = KEPT.get(connection, organisation, subject)
    if branch is not None and found.branch != str(branch):
        raise NotFound("machine", subject)
    return found


def at(connection: Connection, organisation: UUID, subject: UUID, position: int) -> Machine:
    """The machine with the branch and kind that it had at a position, as far as that is still known; NotFound."""
    found = KEPT.get(connection, organisation, subject)
    body = history.body_at(connection, organisation, KEPT.kind, str(subject), position)
    if body is None:
        return found
    then = msgspec.json.decode(body, type=MachineRequest)
    return msgspec.structs.replace(found, name=then.name, branch=then.branch, machine_kind=then.machine_kind)


def page(
    connection: Connection,
    organisation: UUID,
    cursor: str | None = None,
    limit: int = DEFAULT_LIMIT,
    branch: UUID | None = None,
) -> MachinePage:
    """One page of machines, of one branch or of all; BadCursor."""
    only = {} if branch is None else {"branch": branch}
    items, following = KEPT.page(connection, organisation, cursor, limit, **only)
    return MachinePage(items=items, next=following)


def add(connection: Connection, organisation: UUID, stamp: Stamp, request: MachineRequest) -> Written[Machine]:
    """A new machine; Conflict if its name is in use, NotFound for its branch or kind (``field`` says)."""
    _require_parts(connection, organisation, request)
    return _heard(KEPT.add(connection, organisation, stamp, request.name, request))


def replace(
    connection: Connection,
    organisation: UUID,
    stamp: Stamp,
    subject: UUID,
    request: MachineRequest,
    expected: Collection[int] | None,
) -> Written[Machine]:
    """New content of a machine; one that moves to another branch takes along what it holds.

    Raises
    ------
    NotFound, Stale, Conflict
        No such machine, branch or kind; another version than those expected; the name is in use.
    """
    before = KEPT.get(connection, organisation, subject)
    _require_parts(connection, organisation, request)
    written = KEPT.replace(connection, organisation, stamp, subject, request.name, request, expected)
    if not written.changes or before.branch == request.branch:
        return _heard(written)
    there = (connection, organisation, stamp, subject, UUID(request.branch))
    moved = (*holdings.move_machine(*there), *factors.move_machine(*there))
    gone = altered(written.changes[0], event="moved_away", audience=before.branch)
    return Written(written.answer, (gone, *_heard(written).changes, *moved))


def _heard(written: Written[Machine]) -> Written[Machine]:
    """The branch hears of changes to its machines."""
    branch = written.answer.branch
    return Written(written.answer, tuple(altered(change, audience=branch) for change in written.changes))


def _require_parts(connection: Connection, organisation: UUID, request: MachineRequest) -> None:
    with named_by("branch"):
        branches.get(connection, organisation, UUID(request.branch))
    with named_by("machine_kind"):
        machine_kinds.get(connection, organisation, UUID(request.machine_kind))
