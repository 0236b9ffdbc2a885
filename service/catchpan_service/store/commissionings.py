"""Commissionings of machines: numbered, never changed, the one that was done last in force."""

from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Any, Final, NamedTuple
from uuid import UUID

import msgspec
from sqlalchemy import Connection, RowMapping, and_, bindparam, func, insert, or_, select

from catchpan.contract.commissionings import CommissioningPage, CommissioningRequest, CommissioningSummary
from catchpan.digest import canonical, digest
from catchpan_service.rules.due import commissioning_due
from catchpan_service.store import cursors, machines
from catchpan_service.store.cursors import DEFAULT_LIMIT
from catchpan_service.store.errors import NotFound
from catchpan_service.store.statements import chunks, of, owned
from catchpan_service.store.tables import commissionings
from catchpan_service.store.writes import Change, Stamp, Written

KIND: Final = "commissioning"
NEWEST: Final = 2**31 - 1  # above every number

_ADD: Final = insert(commissionings)
_LAST: Final = select(func.max(commissionings.c.number)).where(*owned(commissionings, "machine"))
_ONE: Final = select(commissionings).where(*owned(commissionings, "machine", "number"))
_OF_MANY: Final = select(commissionings.c.machine, commissionings.c.number, commissionings.c.body).where(
    *owned(commissionings), commissionings.c.machine.in_(bindparam("any_of", expanding=True))
)
_LATEST: Final = (
    select(commissionings)
    .where(
        *owned(commissionings, "machine"),
        or_(
            commissionings.c.done < bindparam("by_then"),
            and_(commissionings.c.done == bindparam("by_then"), commissionings.c.number < bindparam("below")),
        ),
    )
    .order_by(commissionings.c.done.desc(), commissionings.c.number.desc())
    .limit(1)
)
_PAGE: Final = (
    select(commissionings)
    .where(*owned(commissionings, "machine"), commissionings.c.number < bindparam("before"))
    .order_by(commissionings.c.number.desc())
    .limit(bindparam("most"))
)
_RECORD: Final = msgspec.json.Decoder(CommissioningRequest)


class Recorded(NamedTuple):
    """A commissioning as it was recorded, and the one done before it, if there is any."""

    machine: UUID
    number: int
    recorded: datetime
    recorded_by: str
    due: datetime
    record: CommissioningRequest
    before: CommissioningRequest | None


def add(
    connection: Connection,
    organisation: UUID,
    stamp: Stamp,
    machine: UUID,
    record: CommissioningRequest,
    within: UUID | None = None,
) -> Written[Recorded]:
    """Record a commissioning; NotFound for the machine."""
    machines.get(connection, organisation, machine, within)
    last = connection.execute(_LAST, of(organisation, machine=machine)).scalar_one()
    row = new_row(stamp, machine, (last or 0) + 1, record)
    return Written(_recorded(connection, row), add_rows(connection, [row]))


def new_row(stamp: Stamp, machine: UUID, number: int, record: CommissioningRequest) -> dict[str, Any]:
    """The row of a commissioning in the organisation of whoever writes."""
    return {
        "organisation": stamp.access.organisation,
        "machine": machine,
        "number": number,
        "done": record.done,
        "due": record.due or commissioning_due(record.done),
        "body": canonical(record),
        "recorded": stamp.now,
        "recorded_by": stamp.access.key_name,
    }


def add_rows(connection: Connection, rows: list[dict[str, Any]]) -> tuple[Change, ...]:
    """Store commissionings that were looked at before; what that changes."""
    connection.execute(_ADD, rows)
    return tuple(Change(KIND, f"{row['machine']}/{row['number']}", "added", digest(row["body"])) for row in rows)


def bodies(connection: Connection, organisation: UUID, machines: Iterable[UUID]) -> Iterator[tuple[UUID, int, bytes]]:
    """Machine, number and record of every commissioning of some machines."""
    for some in chunks(machines):
        yield from map(tuple, connection.execute(_OF_MANY, of(organisation) | {"any_of": some}))


def get(connection: Connection, organisation: UUID, machine: UUID, number: int, within: UUID | None = None) -> Recorded:
    """A commissioning of a machine; NotFound."""
    machines.get(connection, organisation, machine, within)
    row = connection.execute(_ONE, of(organisation, machine=machine, number=number)).mappings().one_or_none()
    if row is None:
        raise NotFound("commissioning", f"{machine}/{number}")
    return _recorded(connection, row)


def latest(connection: Connection, organisation: UUID, machine: UUID, at: datetime) -> Recorded | None:
    """The commissioning of a machine that was in force at an instant, None where there was none."""
    row = _latest(connection, organisation, machine, at, NEWEST)
    return None if row is None else _recorded(connection, row)


def page(
    connection: Connection,
    organisation: UUID,
    machine: UUID,
    cursor: str | None = None,
    limit: int = DEFAULT_LIMIT,
    within: UUID | None = None,
) -> CommissioningPage:
    """One page of a machine's commissionings, newest first; NotFound, BadCursor."""
    machines.get(connection, organisation, machine, within)
    scope = f"{KIND}/{machine}"
    before = int(cursors.read(organisation, scope, cursor)) if cursor else NEWEST
    asked = of(organisation, machine=machine) | {"before": before, "most": cursors.check_limit(limit) + 1}
    rows, last = cursors.split(connection.execute(_PAGE, asked).mappings().all(), limit)
    following = None if last is None else cursors.write(organisation, scope, str(last["number"]))
    return CommissioningPage(items=[_summary(row) for row in rows], next=following)


def _latest(
    connection: Connection, organisation: UUID, machine: UUID, by_then: datetime, below: int
) -> RowMapping | None:
    asked = of(organisation, machine=machine) | {"by_then": by_then, "below": below}
    return connection.execute(_LATEST, asked).mappings().one_or_none()


def _recorded(connection: Connection, row: RowMapping | dict[str, Any]) -> Recorded:
    before = _latest(connection, row["organisation"], row["machine"], row["done"], row["number"])
    return Recorded(
        machine=row["machine"],
        number=row["number"],
        recorded=row["recorded"],
        recorded_by=row["recorded_by"],
        due=row["due"],
        record=_RECORD.decode(row["body"]),
        before=None if before is None else _RECORD.decode(before["body"]),
    )


def _summary(row: RowMapping) -> CommissioningSummary:
    return CommissioningSummary(
        machine=str(row["machine"]),
        number=row["number"],
        done=row["done"],
        by=_RECORD.decode(row["body"]).by,
        due=row["due"],
        recorded=row["recorded"],
        recorded_by=row["recorded_by"],
    )
