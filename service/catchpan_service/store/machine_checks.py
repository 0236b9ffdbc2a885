"""Checks of machines: numbered, never changed but to strike them; what follows from each is kept beside it."""

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any, Final, NamedTuple
from uuid import UUID

import msgspec
from sqlalchemy import Connection, RowMapping, and_, bindparam, func, insert, or_, select, update

from catchpan.contract.checks import Decision
from catchpan.contract.machine_checks import MachineCheckRequest
from catchpan.digest import canonical, digest
from catchpan_service.rules import checks as rules
from catchpan_service.rules.checks import Judged
from catchpan_service.rules.errors import NotLegal
from catchpan_service.store import (
    audit,
    contents,
    cursors,
    factors,
    machine_kinds,
    machines,
    profiles,
    revisions,
    tables,
)
from catchpan_service.store.cursors import DEFAULT_LIMIT
from catchpan_service.store.errors import NotFound, named_by
from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import checks
from catchpan_service.store.writes import Change, Stamp, Written

KIND: Final = "check"
NEWEST: Final = 2**31 - 1  # above every number
MOST_ON_CHARTS: Final = 2000

_ADD: Final = insert(checks)
_LAST: Final = select(func.max(checks.c.number)).where(*owned(checks, "machine"))
_ONE: Final = select(checks).where(*owned(checks, "machine", "number"))
_STRIKE: Final = update(checks).where(*owned(checks, "machine", "number"))
_PAGE: Final = (
    select(checks)
    .where(*owned(checks, "machine"), checks.c.number < bindparam("before"))
    .order_by(checks.c.number.desc())
    .limit(bindparam("most"))
)
_COUNTS: Final = checks.c.struck.is_(None)
_CHARTED: Final = (
    select(checks, tables.materials.c.name.label("material_name"))
    .join(
        tables.materials,
        and_(tables.materials.c.organisation == checks.c.organisation, tables.materials.c.id == checks.c.material),
    )
    .where(*owned(checks, "machine"), _COUNTS, checks.c.ratio.is_not(None))
    .order_by(checks.c.at.desc(), checks.c.number.desc())
    .limit(MOST_ON_CHARTS)
)
_LATER: Final = checks.alias("later")
_LAST_OF_MACHINE: Final = ~(
    select(_LATER.c.number)
    .where(
        *(_LATER.c[name] == checks.c[name] for name in ("organisation", "profile", "revision", "machine")),
        _LATER.c.struck.is_(None),
        _LATER.c.decision.is_not(None),
        or_(
            _LATER.c.at > checks.c.at,
            and_(_LATER.c.at == checks.c.at, _LATER.c.number > checks.c.number),
        ),
    )
    .exists()
)
_DECIDED: Final = (_COUNTS, checks.c.decision.is_not(None), _LAST_OF_MACHINE)
_OF_REVISION: Final = select(checks.c.machine, checks.c.at, checks.c.decision, checks.c.recorded).where(
    *owned(checks, "profile", "revision"), *_DECIDED
)
_OF_KIND: Final = (
    select(
        checks.c.profile, checks.c.revision, checks.c.machine, checks.c.factor, checks.c.uncertainty,
        tables.machines.c.name,
        tables.machines.c.branch,
    )
    .join(
        tables.machines,
        and_(tables.machines.c.organisation == checks.c.organisation, tables.machines.c.id == checks.c.machine),
    )
    .where(
        *owned(checks), tables.machines.c.machine_kind == bindparam("kind"), *_DECIDED,
        checks.c.decision != rules.FAULTY.value,
    )
    .order_by(tables.machines.c.name, checks.c.profile, checks.c.revision)
)  # fmt: skip
_RECORD: Final = msgspec.json.Decoder(MachineCheckRequest)

Judge = Callable[[MachineCheckRequest, bytes, float], Judged]
"""What follows from a record, by the content of the revision and the correction in force."""


class Recorded(NamedTuple):
    """A check as it was recorded, and what it is judged by."""

    row: RowMapping | dict[str, Any]
    record: MachineCheckRequest
    machine_name: str
    content: bytes

    @property
    def decision(self) -> Decision | None:
        """What was decided."""
        said = self.row["decision"]
        return None if said is None else Decision(said)


class Charted(NamedTuple):
    """A machine, and the checks that its charts show, oldest first."""

    machine: UUID
    name: str
    rows: list[RowMapping]


class Outcome(NamedTuple):
    """How the last check catch of a machine with a revision ended."""

    at: datetime
    decision: Decision
    recorded: datetime


def add(
    connection: Connection,
    organisation: UUID,
    stamp: Stamp,
    machine: UUID,
    record: MachineCheckRequest,
    judge: Judge,
    within: UUID | None = None,
) -> Written[Recorded]:
    """Record a check, with what ``judge`` makes of it; NotFound for the machine or the revision (``field`` says)."""
    found = machines.get(connection, organisation, machine, within)
    profile = UUID(record.profile)
    with named_by("number"):
        entry = revisions.entry(connection, organisation, profile, record.number)
    if entry.machine_kind != found.machine_kind:
        raise NotFound("profile of this machine's kind", record.profile, field="profile")
    content = contents.get(connection, organisation, entry.digest)
    correction = _factor_then(connection, organisation, found.id, UUID(found.branch), record)
    judged = judge(record, content, correction)
    last = connection.execute(_LAST, of(organisation, machine=machine)).scalar_one()
    row: dict[str, Any] = judged._asdict() | {
        "organisation": organisation,
        "machine": machine,
        "number": (last or 0) + 1,
        "id": stamp.new_id(),
        "branch": UUID(found.branch),
        "profile": profile,
        "revision": record.number,
        "material": UUID(profiles.get(connection, organisation, profile).material),
        "digest": entry.digest,
        "at": record.at,
        "month": f"{record.at.astimezone(UTC):%Y-%m}",
        "body": canonical(record),
        "correction": correction,
        "decision": None if judged.decision is None else judged.decision.value,
        "recorded": stamp.now,
        "recorded_by": stamp.access.key_name,
        "struck": None,
        "why_struck": None,
    }
    connection.execute(_ADD, row)
    change = Change(KIND, f"{machine}/{row['number']}", "added", digest(row["body"]))
    return Written(Recorded(row, record, found.name, content), (change,))


def _factor_then(
    connection: Connection, organisation: UUID, machine: str, branch: UUID, record: MachineCheckRequest
) -> float:
    """The correction that the machine had in force on the day of the check, 1 for none."""
    position = audit.position_at(connection, organisation, record.at)
    place = (machine, record.profile, record.number)
    found = (factors.ENTRY.decode(one.entry) for one in factors.at(connection, organisation, branch, position))
    its = [one.factor for one in found if (one.machine, one.profile, one.number) == place and one.until > record.at]
    return its[0] if its else 1.0


def get(connection: Connection, organisation: UUID, machine: UUID, number: int, within: UUID | None = None) -> Recorded:
    """A check of a machine; NotFound."""
    found = machines.get(connection, organisation, machine, within)
    row = _row(connection, organisation, machine, number)
    content = contents.get(connection, organisation, row["digest"])
    return Recorded(row, record_of(row), found.name, content)


def strike(
    connection: Connection,
    organisation: UUID,
    stamp: Stamp,
    machine: UUID,
    number: int,
    reason: str,
    within: UUID | None = None,
) -> Written[Recorded]:
    """Let a check count no longer; NotFound, NotLegal where it was struck already."""
    found = get(connection, organisation, machine, number, within)
    if found.row["struck"] is not None:
        raise NotLegal("This check was struck already.", state="struck", event="strike")
    values = {"struck": stamp.now, "why_struck": reason}
    connection.execute(_STRIKE, of(organisation, machine=machine, number=number) | values)
    change = Change(KIND, f"{machine}/{number}", "struck", digest(found.row["body"]))
    return Written(found._replace(row=dict(found.row) | values), (change,))


def page(
    connection: Connection,
    organisation: UUID,
    machine: UUID,
    cursor: str | None = None,
    limit: int = DEFAULT_LIMIT,
    within: UUID | None = None,
) -> tuple[list[RowMapping], str | None]:
    """One page of a machine's checks, the one recorded last first, and the cursor that follows; NotFound, BadCursor."""
    machines.get(connection, organisation, machine, within)
    scope = f"{KIND}/{machine}"
    before = int(cursors.read(organisation, scope, cursor)) if cursor else NEWEST
    asked = of(organisation, machine=machine) | {"before": before, "most": cursors.check_limit(limit) + 1}
    rows, last = cursors.split(connection.execute(_PAGE, asked).mappings().all(), limit)
    return list(rows), None if last is None else cursors.write(organisation, scope, str(last["number"]))


def record_of(row: RowMapping | dict[str, Any]) -> MachineCheckRequest:
    """The record of a row."""
    return _RECORD.decode(row["body"])


def charted(connection: Connection, organisation: UUID, machine: UUID, within: UUID | None = None) -> Charted:
    """The newest checks of a machine that say what it delivered against what was promised; NotFound."""
    found = machines.get(connection, organisation, machine, within)
    rows = connection.execute(_CHARTED, of(organisation, machine=machine)).mappings().all()
    return Charted(machine, found.name, list(reversed(rows)))


def outcomes(connection: Connection, organisation: UUID, profile: UUID, number: int) -> dict[UUID, Outcome]:
    """How the last check catches with a revision ended, by machine."""
    rows = connection.execute(_OF_REVISION, of(organisation, profile=profile, revision=number))
    return {row.machine: Outcome(row.at, Decision(row.decision), row.recorded) for row in rows}


def of_kind(connection: Connection, organisation: UUID, kind: UUID) -> list[RowMapping]:
    """The last check catches of each machine of a kind with each revision, without faulty machines; NotFound."""
    machine_kinds.get(connection, organisation, kind)
    return list(connection.execute(_OF_KIND, of(organisation) | {"kind": kind}).mappings())


def _row(connection: Connection, organisation: UUID, machine: UUID, number: int) -> RowMapping:
    row = connection.execute(_ONE, of(organisation, machine=machine, number=number)).mappings().one_or_none()
    if row is None:
        raise NotFound(KIND, f"{machine}/{number}")
    return row
