"""What machines run: reports, each kept; the one with the latest ``at`` is the present."""

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from typing import Any, Final, NamedTuple
from uuid import UUID

from sqlalchemy import Connection, RowMapping, Select, and_, bindparam, func, insert, select

from catchpan.contract.running import CheckCatch, Running, RunningPage, RunningReport
from catchpan_service.rules.checks import outcome
from catchpan_service.rules.errors import NotLegal
from catchpan_service.store import cursors, machine_checks, machines, revisions
from catchpan_service.store.cursors import DEFAULT_LIMIT
from catchpan_service.store.errors import NotFound, named_by
from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import running
from catchpan_service.store.writes import Stamp, Written

NEWEST: Final = UUID(int=2**128 - 1)
END: Final = datetime(9999, 1, 1, tzinfo=UTC)

_ADD: Final = insert(running)
_SAME: Final = select(running).where(*owned(running, "machine", "profile", "at"))
_PRESENT: Final = select(func.max(running.c.at)).where(*owned(running, "machine", "profile"))
_PAGE: Final = (
    select(running)
    .where(*owned(running, "machine"), running.c.id < bindparam("before"))
    .order_by(running.c.id.desc())
    .limit(bindparam("most"))
)
_LATER: Final = running.alias("later")
_LAST: Final = ~(
    select(_LATER.c.id)
    .where(
        _LATER.c.organisation == running.c.organisation,
        _LATER.c.machine == running.c.machine,
        _LATER.c.profile == running.c.profile,
        _LATER.c.at > running.c.at,
        _LATER.c.at <= bindparam("moment"),
    )
    .exists()
)
_AT: Final = select(running).where(
    *owned(running),
    running.c.machine.in_(bindparam("machines", expanding=True)),
    running.c.at <= bindparam("moment"),
    _LAST,
)
_TOLD: Final = ("number", "by", "check")


def _newest(*columns: str, checked: bool = False) -> Select[Any]:
    """The newest report of each machine among those with given values, or among those with a check catch."""
    conditions = [*owned(running, *columns), *([running.c.check.is_not(None)] if checked else [])]
    newest = (
        select(running.c.machine, func.max(running.c.at).label("at")).where(*conditions).group_by(running.c.machine)
    )
    found = newest.subquery()
    same = and_(running.c.machine == found.c.machine, running.c.at == found.c.at)
    return select(running).join(found, same).where(*conditions)


_OF_PROFILE: Final = _newest("profile")
_CHECKED: Final = _newest("profile", "number", checked=True)


class Checked(NamedTuple):
    """How the last check catch with a revision ended, when it was made, and when that was heard of."""

    at: datetime
    outcome: CheckCatch
    received: datetime


class Heard(NamedTuple):
    """What is known of one profile on one machine: what it runs, and the last check catch with one revision."""

    runs: Running | None
    checked: Checked | None


def report(
    connection: Connection,
    organisation: UUID,
    stamp: Stamp,
    machine: UUID,
    said: RunningReport,
    within: UUID | None = None,
) -> Written[Running]:
    """Keep what a machine is said to run; the same report again changes nothing.

    It leaves no trace in feed or audit chain.

    Raises
    ------
    NotFound, NotLegal
        No such machine or revision (``field`` says), or a digest that is not that revision's; another report for the
        same instant.
    """
    found = machines.get(connection, organisation, machine, within)
    profile = UUID(said.profile)
    with named_by("number"):
        entry = revisions.entry(connection, organisation, profile, said.number)
    if entry.digest != said.digest:
        raise NotFound(f"content of revision {said.number} with the digest", said.digest, field="digest")
    if entry.machine_kind != found.machine_kind:
        raise NotFound("profile of this machine's kind", said.profile, field="profile")
    asked = of(organisation, machine=machine, profile=profile, at=said.at)
    before = connection.execute(_SAME, asked).mappings().one_or_none()
    if before is not None and any(before[name] != getattr(said, name) for name in _TOLD):
        message = f"Another report tells of that instant: revision {before['number']}, by {before['by']}."
        raise NotLegal(message, state="reported", event="report")
    latest = connection.execute(_PRESENT, asked).scalar_one()
    row = dict(before or _row(organisation, stamp, machine, said))
    if before is None:
        connection.execute(_ADD, row)
    return Written(_wire(row, present=latest is None or said.at >= latest), ())


def _row(organisation: UUID, stamp: Stamp, machine: UUID, said: RunningReport) -> dict[str, Any]:
    kept = {name: getattr(said, name) for name in ("number", "digest", "at", "by", "check")}
    place = {"organisation": organisation, "machine": machine, "profile": UUID(said.profile)}
    return place | kept | {"id": stamp.new_id(), "received": stamp.now}


def page(
    connection: Connection,
    organisation: UUID,
    machine: UUID,
    cursor: str | None = None,
    limit: int = DEFAULT_LIMIT,
    within: UUID | None = None,
) -> RunningPage:
    """One page of what a machine was said to run, the latest report first; NotFound, BadCursor."""
    machines.get(connection, organisation, machine, within)
    scope = f"running/{machine}"
    before = UUID(cursors.read(organisation, scope, cursor)) if cursor else NEWEST
    asked: dict[str, Any] = of(organisation, machine=machine)
    asked |= {"before": before, "most": cursors.check_limit(limit) + 1}
    rows, last = cursors.split(connection.execute(_PAGE, asked).mappings().all(), limit)
    following = None if last is None else cursors.write(organisation, scope, str(last["id"]))
    now = at(connection, organisation, [machine], END)
    present = {(one.profile, one.at) for one in now.values()}
    items = [_wire(row, present=(str(row["profile"]), row["at"]) in present) for row in rows]
    return RunningPage(items=items, next=following)


def at(
    connection: Connection, organisation: UUID, subjects: Iterable[UUID], moment: datetime
) -> dict[tuple[str, str], Running]:
    """What machines ran at an instant, by machine and profile."""
    asked = of(organisation) | {"machines": list(subjects), "moment": moment}
    rows = connection.execute(_AT, asked).mappings()
    return {(str(row["machine"]), str(row["profile"])): _wire(row, present=True) for row in rows}


def heard(connection: Connection, organisation: UUID, profile: UUID, number: int) -> dict[UUID, Heard]:
    """What machines run of a profile, and how check catches with a revision of it ended, by machine."""
    runs = _by_machine(connection, _OF_PROFILE, of(organisation, profile=profile))
    checks = dict(_checked(connection, organisation, profile, number))
    return {one: Heard(runs.get(one), checks.get(one)) for one in runs.keys() | checks.keys()}


def _checked(connection: Connection, organisation: UUID, profile: UUID, number: int) -> Iterator[tuple[UUID, Checked]]:
    """The last check catch with a revision by machine: one on record, or one that came along with a report."""
    said = _by_machine(connection, _CHECKED, of(organisation, profile=profile, number=number))
    found = [(one, Checked(told.at, told.check, told.received)) for one, told in said.items() if told.check is not None]
    for one, kept in machine_checks.outcomes(connection, organisation, profile, number).items():
        ended = outcome(kept.decision)
        if ended is not None:
            found.append((one, Checked(kept.at, ended, kept.recorded)))
    yield from sorted(found, key=lambda one: one[1].at)


def _by_machine(connection: Connection, statement: Select[Any], asked: dict[str, Any]) -> dict[UUID, Running]:
    return {row["machine"]: _wire(row, present=True) for row in connection.execute(statement, asked).mappings()}


def _wire(row: RowMapping | dict[str, Any], *, present: bool) -> Running:
    kept = {name: row[name] for name in ("number", "digest", "at", "by", "check", "received")}
    return Running(**kept, machine=str(row["machine"]), profile=str(row["profile"]), present=present)
