"""Rollouts: machines that take up a revision in waves, before it is released to everybody."""

from typing import Annotated

from msgspec import Meta

from catchpan.contract.base import Count, Digest, Id, Instant, Name, OpenEnum, Reason, Wire
from catchpan.contract.branches import Tags
from catchpan.contract.profiles import Change, Number
from catchpan.quantities import Ratio, Time

MOST_WAVES = 20
MOST_NAMED = 10_000

WaveNumber = Annotated[int, Meta(ge=1, le=MOST_WAVES, description="The first wave is 1.")]
FailureLimit = Annotated[
    int, Meta(ge=1, le=100_000, description="As soon as this many machines have failed, the rollout is held.")
]


class WaveRequest(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """The machines of one wave: of these branches, with these tags (or at a branch that has one), and these.

    With neither branches nor tags nor machines it is all of the machine kind; ``share`` takes a share of what was
    named. Machines of an earlier wave are left out, unless they are named one by one: that is refused.
    """

    branches: Annotated[list[Id], Meta(max_length=1000)] = []
    tags: Tags = []
    machines: Annotated[list[Id], Meta(max_length=MOST_NAMED)] = []
    share: Ratio | None = None


class RolloutRequest(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """A revision to be taken up wave by wave.

    The next wave begins when every machine has been heard of, ``soak`` has gone by since, and check catches were
    accepted on the share ``success`` of the wave. A machine that is silent until ``deadline`` after its wave began
    has failed, and so has one whose check catch was refused. ``override`` is an owner's reason to go on in spite of
    a finding that stops.
    """

    profile: Id
    number: Number
    waves: Annotated[list[WaveRequest], Meta(min_length=1, max_length=MOST_WAVES)]
    soak: Time
    success: Ratio
    failure_limit: FailureLimit
    deadline: Time
    reason: Reason
    override: Reason | None = None


class RolloutMoveRequest(Wire, kw_only=True, frozen=True):
    """Why a rollout is held, goes on, or is undone."""

    reason: Reason


class Phase(OpenEnum):
    """Where a rollout stands; ``passed`` waits for the release to everybody, or to be undone."""

    TAKING_UP = "taking_up"
    SOAKING = "soaking"
    HELD = "held"
    PASSED = "passed"
    RELEASED = "released"
    UNDONE = "undone"
    ENDED = "ended"


class MachineStanding(OpenEnum):
    """How one machine stands in a rollout; ``refused`` and ``silent`` are the ways to fail."""

    LATER = "later"
    WAITING = "waiting"
    TAKEN_UP = "taken_up"
    ACCEPTED = "accepted"
    REFUSED = "refused"
    SILENT = "silent"


class Wave(Wire, kw_only=True, frozen=True):
    """How many machines of a wave stand where; ``needed`` is how many check catches must be accepted."""

    wave: WaveNumber
    machines: Count
    needed: Count
    later: Count
    waiting: Count
    taken_up: Count
    accepted: Count
    refused: Count
    silent: Count


class RolloutSummary(Wire, kw_only=True, frozen=True):
    """A rollout without its machines; ``why`` says how it came to where it stands, ``since`` when."""

    id: Id
    version: Count
    profile: Id
    profile_name: Name
    number: Number
    digest: Digest
    phase: Phase
    wave: WaveNumber
    since: Instant
    why: str
    soak: Time
    success: Ratio
    failure_limit: FailureLimit
    deadline: Time
    reason: Reason
    created: Instant
    created_by: Name
    changed: Instant


class Rollout(RolloutSummary, kw_only=True, frozen=True):
    """A rollout with its waves; ``next_step`` says what it waits for."""

    waves: list[Wave]
    next_step: str


class RolloutPage(Wire, kw_only=True, frozen=True):
    """One page of rollouts; ``next`` is the cursor of the following page."""

    items: list[RolloutSummary]
    next: str | None


class Rollouts(Wire, kw_only=True, frozen=True):
    """The rollouts that moved."""

    items: list[Rollout]


class RolloutMachine(Wire, kw_only=True, frozen=True):
    """One machine of a rollout; ``runs`` is the revision that it was last said to run, ``heard`` since when."""

    machine: Id
    name: Name
    branch: Id
    wave: WaveNumber
    standing: MachineStanding
    runs: Number | None
    heard: Instant | None


class RolloutMachinePage(Wire, kw_only=True, frozen=True):
    """One page of a rollout's machines; ``next`` is the cursor of the following page."""

    items: list[RolloutMachine]
    next: str | None


class PlannedMachine(Wire, kw_only=True, frozen=True):
    """One machine of a planned rollout: what it was last said to run, and what is wanted of it now."""

    machine: Id
    name: Name
    branch: Id
    wave: WaveNumber
    runs: Number | None
    wanted: Number | None


class PlannedDifference(Wire, kw_only=True, frozen=True):
    """What changes on machines that run ``before`` now, or are to; with none there is nothing to compare."""

    before: Number | None
    machines: Count
    changes: list[Change]


class RolloutPlan(Wire, kw_only=True, frozen=True):
    """A rollout as it begins, or would: which machine is in which wave, and what changes on the ground."""

    rollout: Rollout
    differences: list[PlannedDifference]
    machines: list[PlannedMachine]
