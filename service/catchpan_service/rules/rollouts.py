"""What a rollout may do next: one literal table of moves, how a machine in it stands, and which move is due.

A wave begins only after the one before has soaked and its check catches were accepted; so what is wrong reaches the
first wave and no more. A machine has failed when its check catch was refused, or when nobody has said by its deadline
that it took the revision up.
"""

from collections import Counter
from collections.abc import Mapping
from datetime import datetime, timedelta
from enum import StrEnum
from math import ceil
from typing import Final, NamedTuple

from catchpan.contract.rollouts import MachineStanding, Phase
from catchpan.contract.running import CheckCatch
from catchpan_service.rules.errors import NotLegal


class Event(StrEnum):
    """What can happen to a rollout: the first four by itself, the next three by a person, the last two elsewhere."""

    ALL_HEARD = "all_heard"
    NEXT_WAVE = "next_wave"
    PASS = "pass"
    FAIL = "fail"
    HOLD = "hold"
    RESUME = "resume"
    UNDO = "undo"
    RELEASE = "release"
    END = "end"


MOVES: Final[Mapping[tuple[Phase, Event], Phase]] = {
    (Phase.TAKING_UP, Event.ALL_HEARD): Phase.SOAKING,
    (Phase.SOAKING, Event.NEXT_WAVE): Phase.TAKING_UP,
    (Phase.SOAKING, Event.PASS): Phase.PASSED,
    (Phase.TAKING_UP, Event.FAIL): Phase.HELD,
    (Phase.SOAKING, Event.FAIL): Phase.HELD,
    (Phase.PASSED, Event.FAIL): Phase.HELD,
    (Phase.TAKING_UP, Event.HOLD): Phase.HELD,
    (Phase.SOAKING, Event.HOLD): Phase.HELD,
    (Phase.HELD, Event.HOLD): Phase.HELD,
    (Phase.PASSED, Event.HOLD): Phase.HELD,
    (Phase.HELD, Event.RESUME): Phase.TAKING_UP,
    (Phase.TAKING_UP, Event.UNDO): Phase.UNDONE,
    (Phase.SOAKING, Event.UNDO): Phase.UNDONE,
    (Phase.HELD, Event.UNDO): Phase.UNDONE,
    (Phase.PASSED, Event.UNDO): Phase.UNDONE,
    (Phase.UNDONE, Event.UNDO): Phase.UNDONE,
    (Phase.ENDED, Event.UNDO): Phase.ENDED,
    (Phase.TAKING_UP, Event.RELEASE): Phase.RELEASED,
    (Phase.SOAKING, Event.RELEASE): Phase.RELEASED,
    (Phase.HELD, Event.RELEASE): Phase.RELEASED,
    (Phase.PASSED, Event.RELEASE): Phase.RELEASED,
    (Phase.TAKING_UP, Event.END): Phase.ENDED,
    (Phase.SOAKING, Event.END): Phase.ENDED,
    (Phase.HELD, Event.END): Phase.ENDED,
    (Phase.PASSED, Event.END): Phase.ENDED,
}

LIVE: Final = frozenset({Phase.TAKING_UP, Phase.SOAKING, Phase.HELD, Phase.PASSED})
"""The phases in which machines hold the revision because of the rollout."""

STANDINGS: Final = tuple(MachineStanding)
FAILED: Final = (MachineStanding.REFUSED, MachineStanding.SILENT)


class Terms(NamedTuple):
    """What was agreed for a rollout: ``success`` is the share of a wave whose check catch must be accepted."""

    waves: int
    soak: timedelta
    deadline: timedelta
    success: float
    failure_limit: int


class Stand(NamedTuple):
    """Where a rollout stands: its phase, the last wave that began, and since when."""

    phase: Phase
    wave: int
    since: datetime


class Member(NamedTuple):
    """A machine of a rollout: its wave, and since when it counts; None until its wave begins."""

    wave: int
    since: datetime | None


class Said(NamedTuple):
    """What was said of a machine: whether it runs the revision, and how its last check catch with it ended, when."""

    runs: bool = False
    check: CheckCatch | None = None
    checked: datetime | None = None


class Fate(StrEnum):
    """What became of the revision elsewhere."""

    IN_WAVES = "in_waves"
    RELEASED = "released"
    WITHDRAWN = "withdrawn"
    OVERTAKEN = "overtaken"


_FATES: Final[Mapping[Fate, tuple[Event, str]]] = {
    Fate.RELEASED: (Event.RELEASE, "The revision was released to everybody."),
    Fate.WITHDRAWN: (Event.END, "The revision was withdrawn; no machine is to run it any more."),
    Fate.OVERTAKEN: (Event.END, "Another revision of the profile was released to everybody."),
}

Tally = Mapping[int, Counter[MachineStanding]]
"""How many machines of each wave stand where."""


def standing(member: Member, said: Said, terms: Terms, now: datetime) -> MachineStanding:
    """How a machine stands; a check catch that was refused before it counts is forgiven."""
    if member.since is None:
        return MachineStanding.LATER
    if said.check == "refused" and said.checked is not None and said.checked >= member.since:
        return MachineStanding.REFUSED
    if said.runs:
        return MachineStanding.ACCEPTED if said.check == "accepted" else MachineStanding.TAKEN_UP
    return MachineStanding.SILENT if now >= member.since + terms.deadline else MachineStanding.WAITING


def needed(machines: int, success: float) -> int:
    """How many check catches must be accepted in a wave of so many machines."""
    return ceil(machines * success - 1e-9)


def due(stand: Stand, terms: Terms, tally: Tally, fate: Fate, now: datetime) -> tuple[Event, str] | None:
    """The move that is due by itself, and why; None where the rollout waits for machines, time or a person."""
    if stand.phase not in LIVE:
        return None
    if fate in _FATES:
        return _FATES[fate]
    if stand.phase == Phase.HELD:
        return None
    return _failure(stand, terms, tally) or _progress(stand, terms, tally, now)


def _failure(stand: Stand, terms: Terms, tally: Tally) -> tuple[Event, str] | None:
    refused, silent = (sum(wave[one] for wave in tally.values()) for one in FAILED)
    if refused + silent >= terms.failure_limit:
        return (
            Event.FAIL,
            f"Check catches refused: {refused}, machines silent: {silent}; the limit is {terms.failure_limit}.",
        )
    wave = tally[stand.wave]
    wanted = needed(wave.total(), terms.success)
    possible = wave.total() - wave[MachineStanding.REFUSED] - wave[MachineStanding.SILENT]
    if stand.phase != Phase.PASSED and possible < wanted:
        return (
            Event.FAIL,
            f"Wave {stand.wave}: {possible} machines are left, {wanted} must be accepted.",
        )
    return None


def _progress(stand: Stand, terms: Terms, tally: Tally, now: datetime) -> tuple[Event, str] | None:
    wave = tally[stand.wave]
    if stand.phase == Phase.TAKING_UP and wave[MachineStanding.WAITING] == 0:
        return Event.ALL_HEARD, f"Every machine of wave {stand.wave} was heard of, or its deadline is over."
    if stand.phase != Phase.SOAKING or now < stand.since + terms.soak:
        return None
    if wave[MachineStanding.ACCEPTED] < needed(wave.total(), terms.success):
        return None
    said = f"Wave {stand.wave} has soaked, and {wave[MachineStanding.ACCEPTED]} check catches were accepted."
    return (Event.PASS if stand.wave == terms.waves else Event.NEXT_WAVE), said


def waits_for(stand: Stand, terms: Terms, tally: Tally) -> str:
    """What a rollout waits for, in words."""
    wave = tally.get(stand.wave, Counter())
    wanted = needed(wave.total(), terms.success)
    left = max(0, wanted - wave[MachineStanding.ACCEPTED])
    told = {
        Phase.TAKING_UP: f"{wave[MachineStanding.WAITING]} of {wave.total()} machines of wave {stand.wave}",
        Phase.SOAKING: f"{left} more accepted check catches in wave {stand.wave}, and until"
        f" {stand.since + terms.soak:%Y-%m-%d %H:%M} UTC",
        Phase.HELD: "somebody who resumes or undoes it",
        Phase.PASSED: "the release to everybody",
    }
    return told.get(stand.phase, "nothing")


def move(stand: Stand, event: Event, now: datetime) -> Stand:
    """The stand after an event; NotLegal where the table has no such move."""
    phase = MOVES.get((stand.phase, event))
    if phase is None:
        raise _refusal(stand.phase, event)
    wave = stand.wave + (event == Event.NEXT_WAVE)
    return stand if (phase, wave) == stand[:2] else Stand(phase, wave, now)


def _refusal(phase: Phase, event: Event) -> NotLegal:
    legal = tuple(one for one in (Event.HOLD, Event.RESUME, Event.UNDO) if (phase, one) in MOVES)
    options = f"allowed are {', '.join(legal)}" if legal else "nothing can be done to it any more"
    if phase == Phase.RELEASED:
        options += ": to go back, release a new revision with the earlier content"
    message = f"{event} is not possible for a rollout that is {phase.value.replace('_', ' ')}; {options}."
    return NotLegal(message, state=phase.value, event=event.value, allowed=legal)
