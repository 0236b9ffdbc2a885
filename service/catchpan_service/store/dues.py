"""What is due until an instant: checks of what is held, and commissionings of machines."""

from collections.abc import Callable, Iterable, Iterator
from datetime import datetime
from typing import Any, Final, NamedTuple
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, select

from catchpan.contract.branches import Machine
from catchpan.contract.dues import Due, DueKind, DuePage
from catchpan.contract.profiles import State
from catchpan.contract.sync import Entry, Target
from catchpan_service.store import branches, feed, holdings, machines
from catchpan_service.store.cursors import MAX_LIMIT
from catchpan_service.store.holdings import Heard
from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import commissionings

_LAST: Final = (
    select(commissionings.c.machine, commissionings.c.due)
    .where(*owned(commissionings), commissionings.c.machine.in_(bindparam("machines", expanding=True)))
    .order_by(commissionings.c.done, commissionings.c.number)
)
_ENTRY: Final = msgspec.json.Decoder(Entry)


def page(
    connection: Connection,
    organisation: UUID,
    until: datetime,
    cursor: str | None,
    limit: int,
    within: UUID | None = None,
) -> DuePage:
    """What is due until an instant, for the organisation or for one branch, the most urgent first; BadCursor."""
    listed = machines.page(connection, organisation, cursor, limit, within)
    found = list(_commissionings(connection, organisation, listed.items, until))
    if cursor is None:
        position = feed.state(connection, organisation).position
        found += _checks(holdings.present(connection, organisation, position).values(), until, within)
    return DuePage(items=sorted(found, key=_urgency), next=listed.next)


class Dues(NamedTuple):
    """Everything that is due, and the names of all branches by their ids."""

    items: list[Due]
    branches: dict[str, str]


def all_of_them(connection: Connection, organisation: UUID, until: datetime, within: UUID | None = None) -> Dues:
    """Everything that is due until an instant, for the organisation or for one branch."""
    found = _walk(lambda cursor: page(connection, organisation, until, cursor, MAX_LIMIT, within))
    yards = _walk(lambda cursor: branches.page(connection, organisation, cursor, MAX_LIMIT))
    return Dues(found, {one.id: one.name for one in yards})


def _walk(page: Callable[[str | None], Any]) -> list[Any]:
    """The items of all pages."""
    found, cursor = [], None
    while True:
        listed = page(cursor)
        found += listed.items
        cursor = listed.next
        if cursor is None:
            return found


def _urgency(one: Due) -> tuple[bool, float, str, str]:
    return one.due is not None, 0.0 if one.due is None else one.due.timestamp(), one.kind.value, one.name


def _commissionings(
    connection: Connection, organisation: UUID, asked: Iterable[Machine], until: datetime
) -> Iterator[Due]:
    subjects: dict[str, Any] = {"machines": [UUID(one.id) for one in asked]}
    last = {str(row.machine): row.due for row in connection.execute(_LAST, of(organisation) | subjects)}
    for machine in asked:
        due = last.get(machine.id)
        if due is None or due <= until:
            yield Due(kind=DueKind.COMMISSIONING, subject=machine.id, name=machine.name, branch=machine.branch, due=due)


def _checks(held: Iterable[Heard], until: datetime, within: UUID | None) -> Iterator[Due]:
    for one in held:
        if one.held.target == Target.MACHINE or (within is not None and one.branch not in {None, within}):
            continue
        entry = _ENTRY.decode(one.held.entry)
        provisional = entry.state == State.PROVISIONAL
        due = entry.valid_until if provisional else entry.check_due
        if due is not None and due <= until:
            kind = DueKind.CALIBRATION if provisional else DueKind.CHECK
            branch = None if one.branch is None else str(one.branch)
            yield Due(kind=kind, subject=entry.profile, name=entry.name, branch=branch, due=due)
