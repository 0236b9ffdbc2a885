"""The machines of rollouts: which could take part, which do, in which wave, and since when each counts."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final, NamedTuple
from uuid import UUID

import msgspec
from sqlalchemy import Connection, and_, bindparam, insert, select, update

from catchpan.contract.sync import Entry, Target
from catchpan_service.rules.rollouts import Member
from catchpan_service.rules.waves import Candidate
from catchpan_service.store import cursors, holdings
from catchpan_service.store.documents import FIRST
from catchpan_service.store.holdings import Place
from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import branches, machines, rollout_machines
from catchpan_service.store.writes import Change, Stamp

_CANDIDATES: Final = (
    select(machines.c.id, machines.c.name, machines.c.branch, machines.c.body, branches.c.body.label("site"))
    .join(branches, and_(branches.c.organisation == machines.c.organisation, branches.c.id == machines.c.branch))
    .where(*owned(machines, "machine_kind"))
    .order_by(machines.c.id)
)
_ADD: Final = insert(rollout_machines)
_MEMBERS: Final = select(rollout_machines).where(*owned(rollout_machines, "rollout"))
_JOINED: Final = (
    select(rollout_machines, machines.c.name, machines.c.branch)
    .join(
        machines,
        and_(machines.c.organisation == rollout_machines.c.organisation, machines.c.id == rollout_machines.c.machine),
    )
    .order_by(rollout_machines.c.machine)
)
_WAVE: Final = _JOINED.where(*owned(rollout_machines, "rollout", "wave"))
_PAGE: Final = _JOINED.where(
    *owned(rollout_machines, "rollout"), rollout_machines.c.machine > bindparam("after")
).limit(bindparam("most"))
_BEGIN: Final = update(rollout_machines).where(*owned(rollout_machines, "rollout", "wave"))
_COUNT_ANEW: Final = update(rollout_machines).where(
    *owned(rollout_machines, "rollout"), rollout_machines.c.since.is_not(None)
)


class _Tagged(msgspec.Struct):
    tags: list[str] = []


_TAGS: Final = msgspec.json.Decoder(_Tagged)


class Found(NamedTuple):
    """A machine that could take part, as it is told."""

    name: str
    branch: UUID
    candidate: Candidate


class Joined(NamedTuple):
    """A machine of a rollout, as it is told."""

    machine: UUID
    name: str
    branch: UUID
    member: Member


def candidates(connection: Connection, organisation: UUID, kind: str) -> dict[UUID, Found]:
    """Every machine of a kind, with its tags and those of its branch."""
    sites: dict[bytes, frozenset[str]] = {}
    found = {}
    for row in connection.execute(_CANDIDATES, of(organisation, machine_kind=UUID(kind))):
        if row.site not in sites:
            sites[row.site] = frozenset(_TAGS.decode(row.site).tags)
        tags = sites[row.site].union(_TAGS.decode(row.body).tags)
        found[row.id] = Found(row.name, row.branch, Candidate(str(row.branch), tags))
    return found


def join(
    connection: Connection, organisation: UUID, rollout: UUID, waves: Mapping[UUID, int], since: datetime | None = None
) -> None:
    """Let machines take part, each in its wave; ``since`` where that has begun."""
    rows = [
        {"organisation": organisation, "rollout": rollout, "machine": machine, "wave": wave, "since": since}
        for machine, wave in waves.items()
    ]
    if rows:
        connection.execute(_ADD, rows)


def members(connection: Connection, organisation: UUID, rollout: UUID) -> dict[UUID, Member]:
    """Every machine of a rollout."""
    rows = connection.execute(_MEMBERS, of(organisation, rollout=rollout))
    return {row.machine: Member(row.wave, row.since) for row in rows}


def begin_wave(
    connection: Connection, organisation: UUID, stamp: Stamp, rollout: UUID, wave: int, entry: Entry
) -> tuple[Change, ...]:
    """Let the machines of a wave hold the revision, and count from now on."""
    asked = of(organisation, rollout=rollout, wave=wave)
    places = [Place(Target.MACHINE, row.machine, row.branch) for row in connection.execute(_WAVE, asked)]
    connection.execute(_BEGIN, asked | {"since": stamp.now})
    return holdings.begin_all(connection, organisation, stamp, places, entry)


def count_anew(connection: Connection, organisation: UUID, stamp: Stamp, rollout: UUID) -> None:
    """Let every machine whose wave has begun count from now on: what it failed by is forgiven."""
    connection.execute(_COUNT_ANEW, of(organisation, rollout=rollout) | {"since": stamp.now})


def page(
    connection: Connection, organisation: UUID, rollout: UUID, cursor: str | None, limit: int
) -> tuple[list[Joined], str | None]:
    """Some machines of a rollout by their ids, and the cursor of those that follow; BadCursor."""
    scope = f"rollout/{rollout}"
    after = UUID(cursors.read(organisation, scope, cursor)) if cursor else FIRST
    asked: dict[str, Any] = of(organisation, rollout=rollout) | {"after": after, "most": cursors.check_limit(limit) + 1}
    rows, last = cursors.split(connection.execute(_PAGE, asked).all(), limit)
    following = None if last is None else cursors.write(organisation, scope, str(last.machine))
    return [Joined(row.machine, row.name, row.branch, Member(row.wave, row.since)) for row in rows], following
