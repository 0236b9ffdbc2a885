"""Rollouts: machines hold a revision before everybody does, wave by wave, until it is released or undone.

What is due is looked at anew in every write, behind the lock on the organisation's counter, so that two that advance a
rollout at once do no more than one.
"""

from collections import Counter
from collections.abc import Collection, Mapping
from datetime import datetime, timedelta
from typing import Any, Final, NamedTuple
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, insert, select, update

from catchpan.contract.profiles import State
from catchpan.contract.rollouts import (
    Phase,
    Rollout,
    RolloutMachine,
    RolloutMachinePage,
    RolloutPage,
    RolloutRequest,
    Rollouts,
    RolloutSummary,
    Wave,
)
from catchpan.contract.sync import Entry, Target
from catchpan.digest import canonical
from catchpan_service.rules import rollouts as rules
from catchpan_service.rules import waves
from catchpan_service.rules.rollouts import LIVE, Event, Fate, Said, Stand, Terms
from catchpan_service.store import cursors, holdings, profiles, revisions, rollout_machines, rollout_plans, running
from catchpan_service.store.cursors import DEFAULT_LIMIT
from catchpan_service.store.documents import FIRST
from catchpan_service.store.errors import Conflict, NotFound, Stale, named_by
from catchpan_service.store.rollout_plans import Plan
from catchpan_service.store.running import Heard
from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import rollouts
from catchpan_service.store.writes import Change, Stamp, Written

KIND: Final = "rollout"

_ONE: Final = select(rollouts).where(*owned(rollouts, "id"))
_IS_LIVE: Final = rollouts.c.phase.in_(sorted(phase.value for phase in LIVE))
_LIVE: Final = select(rollouts).where(*owned(rollouts), _IS_LIVE).order_by(rollouts.c.id)
_LIVE_OF_PROFILE: Final = select(rollouts).where(*owned(rollouts, "profile"), _IS_LIVE)
_ADD: Final = insert(rollouts)
_SET: Final = update(rollouts).where(*owned(rollouts, "id"))
_PAGE: Final = (
    select(rollouts)
    .where(*owned(rollouts), rollouts.c.id > bindparam("after"))
    .order_by(rollouts.c.id)
    .limit(bindparam("most"))
)
_REQUEST: Final = msgspec.json.Decoder(RolloutRequest)
_ENDS: Final = frozenset({Event.UNDO, Event.RELEASE, Event.END})

Row = Mapping[Any, Any]


class Planned(NamedTuple):
    """A rollout as it begins, and what it changes on which machine."""

    rollout: Rollout
    plan: Plan


class _Scene(NamedTuple):
    """What a rollout's next move follows from."""

    stand: Stand
    terms: Terms
    tally: rules.Tally


def add(connection: Connection, organisation: UUID, stamp: Stamp, request: RolloutRequest) -> Written[Planned]:
    """Begin a rollout with its first wave, and tell all of them.

    Raises
    ------
    NotFound
        No such profile or revision.
    Conflict
        A rollout of this profile is under way.
    BadWave
        A wave without a machine; a machine of another kind, or in two waves.
    NotLegal, Blocked, NotAllowed
        The revision cannot be rolled out: released or withdrawn already; a finding stops it.
    """
    profile = UUID(request.profile)
    with named_by("profile"):
        known = profiles.get(connection, organisation, profile)
    finished = _finish(connection, organisation, stamp, profile)
    with named_by("number"):
        frozen = revisions.roll_out(
            connection, organisation, stamp, profile, request.number, request.reason, request.override
        )
    plan = rollout_plans.plan(connection, organisation, request, known.machine_kind)
    subject = stamp.new_id()
    row = {
        "organisation": organisation,
        "id": subject,
        "version": 1,
        "profile": profile,
        "number": request.number,
        "digest": frozen.answer.digest,
        "phase": Phase.TAKING_UP.value,
        "wave": 1,
        "since": stamp.now,
        "why": f"Begun by {stamp.access.key_name}: {request.reason}",
        "before": known.released,
        "body": canonical(request),
        "created": stamp.now,
        "created_by": stamp.access.key_name,
        "changed": stamp.now,
    }
    connection.execute(_ADD, row)
    rollout_machines.join(connection, organisation, subject, plan.waves)
    begun = rollout_machines.begin_wave(connection, organisation, stamp, subject, 1, frozen.answer)
    told = Planned(_whole(connection, row, _scene(connection, row, stamp.now)), plan)
    return Written(told, (*finished, *frozen.changes, _change(row, "begun"), *begun))


def get(connection: Connection, organisation: UUID, subject: UUID, now: datetime) -> Rollout:
    """The rollout with its waves as they stand now; NotFound."""
    row = _row(connection, organisation, subject)
    return _whole(connection, row, _scene(connection, row, now))


def page(
    connection: Connection, organisation: UUID, cursor: str | None = None, limit: int = DEFAULT_LIMIT
) -> RolloutPage:
    """One page of rollouts, without their machines; BadCursor."""
    after = UUID(cursors.read(organisation, KIND, cursor)) if cursor else FIRST
    asked = of(organisation) | {"after": after, "most": cursors.check_limit(limit) + 1}
    rows, last = cursors.split(connection.execute(_PAGE, asked).mappings().all(), limit)
    following = None if last is None else cursors.write(organisation, KIND, str(last["id"]))
    return RolloutPage(items=[RolloutSummary(**_members(connection, row)) for row in rows], next=following)


def machines(
    connection: Connection,
    organisation: UUID,
    subject: UUID,
    now: datetime,
    cursor: str | None = None,
    limit: int = DEFAULT_LIMIT,
) -> RolloutMachinePage:
    """One page of a rollout's machines, and how each stands; NotFound, BadCursor."""
    row = _row(connection, organisation, subject)
    joined, following = rollout_machines.page(connection, organisation, subject, cursor, limit)
    heard, terms = running.heard(connection, organisation, row["profile"], row["number"]), _terms(row)
    items = []
    for one in joined:
        known = heard.get(one.machine)
        runs = None if known is None else known.runs
        items.append(
            RolloutMachine(
                machine=str(one.machine),
                name=one.name,
                branch=str(one.branch),
                wave=one.member.wave,
                standing=rules.standing(one.member, _said(known, row["number"]), terms, now),
                runs=None if runs is None else runs.number,
                heard=None if runs is None else runs.at,
            )
        )
    return RolloutMachinePage(items=items, next=following)


def move(
    connection: Connection,
    organisation: UUID,
    stamp: Stamp,
    subject: UUID,
    event: Event,
    reason: str,
    expected: Collection[int] | None,
) -> Written[Rollout]:
    """Hold, resume or undo a rollout; NotFound, Stale, NotLegal."""
    row = _row(connection, organisation, subject)
    if expected is not None and row["version"] not in expected:
        raise Stale(_whole(connection, row, _scene(connection, row, stamp.now)), row["version"])
    why = f"{_SAID[event]} by {stamp.access.key_name}: {reason}"
    row, changes = _moved(connection, stamp, row, event, why)
    return Written(_whole(connection, row, _scene(connection, row, stamp.now)), changes)


_SAID: Final = {Event.HOLD: "Held", Event.RESUME: "Resumed", Event.UNDO: "Undone"}


def is_live(connection: Connection, organisation: UUID) -> bool:
    """Whether a rollout is under way."""
    return connection.execute(_LIVE.limit(1), of(organisation)).first() is not None


def advance(connection: Connection, organisation: UUID, stamp: Stamp) -> Written[Rollouts]:
    """Make the move that is due, one for each rollout that is under way, and let late machines join."""
    moved: list[Rollout] = []
    made: list[Change] = []
    for before in connection.execute(_LIVE, of(organisation)).mappings().all():
        row, changes = _advanced(connection, stamp, before)
        if changes:
            moved.append(_whole(connection, row, _scene(connection, row, stamp.now)))
            made += changes
    return Written(Rollouts(items=moved), tuple(made))


def look_again(connection: Connection, organisation: UUID, stamp: Stamp, profile: UUID) -> tuple[Change, ...]:
    """Make the move that is due in the rollout of a profile, if one is under way; for use within another write."""
    row = _live_of(connection, organisation, profile)
    return () if row is None else _advanced(connection, stamp, row)[1]


def _finish(connection: Connection, organisation: UUID, stamp: Stamp, profile: UUID) -> tuple[Change, ...]:
    """Let the rollout of a profile that is over be so; Conflict where one is under way."""
    row = _live_of(connection, organisation, profile)
    if row is None:
        return ()
    fate = _fate(connection, row)
    if fate == Fate.IN_WAVES:
        said = "A rollout of this profile is under way: undo it, or release its revision."
        raise Conflict(said, field="profile", existing=str(row["id"]))
    return _advanced(connection, stamp, row)[1]


def _live_of(connection: Connection, organisation: UUID, profile: UUID) -> Row | None:
    return connection.execute(_LIVE_OF_PROFILE, of(organisation, profile=profile)).mappings().one_or_none()


def _advanced(connection: Connection, stamp: Stamp, row: Row) -> tuple[Row, tuple[Change, ...]]:
    """The rollout after the move that is due, if one is; late machines join first, unless it is over or held."""
    fate = _fate(connection, row)
    joined: tuple[Change, ...] = ()
    if fate == Fate.IN_WAVES and row["phase"] != Phase.HELD.value:
        row, joined = _with_late_machines(connection, stamp, row)
    scene = _scene(connection, row, stamp.now)
    found = rules.due(scene.stand, scene.terms, scene.tally, fate, stamp.now)
    if found is None:
        return row, joined
    row, changes = _moved(connection, stamp, row, *found)
    return row, (*joined, *changes)


def _fate(connection: Connection, row: Row) -> Fate:
    """What became of the revision elsewhere."""
    which = (connection, row["organisation"], row["profile"])
    state = revisions.summary(*which, row["number"]).state
    if state in _FATES:
        return _FATES[state]
    overtaken = profiles.get(*which).released not in {None, row["before"]}
    return Fate.OVERTAKEN if overtaken else Fate.IN_WAVES


_FATES: Final = {State.RELEASED: Fate.RELEASED, State.WITHDRAWN: Fate.WITHDRAWN}


def _with_late_machines(connection: Connection, stamp: Stamp, row: Row) -> tuple[Row, tuple[Change, ...]]:
    """Machines that came to a branch or got a tag since the rollout began join its last wave."""
    organisation, request, last = row["organisation"], _REQUEST.decode(row["body"]), _terms(row).waves
    kind = profiles.get(connection, organisation, row["profile"]).machine_kind
    found = rollout_machines.candidates(connection, organisation, kind)
    known = rollout_machines.members(connection, organisation, row["id"])
    these = waves.late(request.waves, {one: told.candidate for one, told in found.items()}, known)
    if not these:
        return row, ()
    begun = row["wave"] == last
    joining = dict.fromkeys(these, last)
    rollout_machines.join(connection, organisation, row["id"], joining, stamp.now if begun else None)
    row = _set(connection, row, stamp)
    places = [holdings.Place(Target.MACHINE, one, found[one].branch) for one in these] if begun else []
    held = holdings.begin_all(connection, organisation, stamp, places, _entry(connection, row))
    return row, (_change(row, "joined"), *held)


def _entry(connection: Connection, row: Row) -> Entry:
    return revisions.in_waves(revisions.entry(connection, row["organisation"], row["profile"], row["number"]))


def _moved(connection: Connection, stamp: Stamp, row: Row, event: Event, why: str) -> tuple[Row, tuple[Change, ...]]:
    """The rollout after an event, with what follows from it for its machines."""
    before = _stand(row)
    after = rules.move(before, event, stamp.now)
    row = _set(connection, row, stamp, phase=after.phase.value, wave=after.wave, since=after.since, why=why)
    follows: tuple[Change, ...] = ()
    organisation = row["organisation"]
    if event == Event.NEXT_WAVE:
        entry = _entry(connection, row)
        follows = rollout_machines.begin_wave(connection, organisation, stamp, row["id"], after.wave, entry)
    elif event == Event.RESUME:
        rollout_machines.count_anew(connection, organisation, stamp, row["id"])
    elif event in _ENDS and before.phase in LIVE:
        follows = holdings.end_of_machines(connection, organisation, stamp, row["profile"], row["number"])
    return row, (_change(row, event.value), *follows)


def _scene(connection: Connection, row: Row, now: datetime) -> _Scene:
    organisation, terms = row["organisation"], _terms(row)
    members = rollout_machines.members(connection, organisation, row["id"])
    heard = running.heard(connection, organisation, row["profile"], row["number"])
    tally: dict[int, Counter[Any]] = {wave: Counter() for wave in range(1, terms.waves + 1)}
    for machine, member in members.items():
        tally[member.wave][rules.standing(member, _said(heard.get(machine), row["number"]), terms, now)] += 1
    return _Scene(_stand(row), terms, tally)


def _said(heard: Heard | None, number: int) -> Said:
    if heard is None:
        return Said()
    checked = heard.checked
    return Said(
        runs=heard.runs is not None and heard.runs.number == number,
        check=None if checked is None else checked.outcome,
        checked=None if checked is None else checked.received,
    )


def _stand(row: Row) -> Stand:
    return Stand(Phase(row["phase"]), row["wave"], row["since"])


def _terms(row: Row) -> Terms:
    said = _REQUEST.decode(row["body"])
    return Terms(
        waves=len(said.waves),
        soak=timedelta(seconds=said.soak.si),
        deadline=timedelta(seconds=said.deadline.si),
        success=said.success.si,
        failure_limit=said.failure_limit,
    )


def _row(connection: Connection, organisation: UUID, subject: UUID) -> Row:
    row = connection.execute(_ONE, of(organisation, id=subject)).mappings().one_or_none()
    if row is None:
        raise NotFound(KIND, subject)
    return row


def _set(connection: Connection, row: Row, stamp: Stamp, **values: object) -> Row:
    """The row with new values, one version on."""
    values |= {"version": row["version"] + 1, "changed": stamp.now}
    connection.execute(_SET, of(row["organisation"], id=row["id"]) | values)
    return {**row, **values}


def _change(row: Row, event: str) -> Change:
    return Change(KIND, str(row["id"]), event, row["digest"])


def _members(connection: Connection, row: Row) -> dict[str, Any]:
    said = _REQUEST.decode(row["body"])
    agreed = {name: getattr(said, name) for name in ("soak", "success", "failure_limit", "deadline", "reason")}
    kept = {
        name: row[name]
        for name in ("version", "number", "digest", "wave", "since", "why", "created", "created_by", "changed")
    }
    return (
        kept
        | agreed
        | {
            "id": str(row["id"]),
            "profile": str(row["profile"]),
            "profile_name": profiles.get(connection, row["organisation"], row["profile"]).name,
            "phase": Phase(row["phase"]),
        }
    )


def _whole(connection: Connection, row: Row, scene: _Scene) -> Rollout:
    told = [
        Wave(
            wave=wave,
            machines=tally.total(),
            needed=rules.needed(tally.total(), scene.terms.success),
            **{one.value: tally[one] for one in rules.STANDINGS},
        )
        for wave, tally in scene.tally.items()
    ]
    said = rules.waits_for(scene.stand, scene.terms, scene.tally)
    return Rollout(**_members(connection, row), waves=told, next_step=said)
