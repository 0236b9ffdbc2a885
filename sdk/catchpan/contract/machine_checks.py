"""Checks of one machine that are kept: catches made again, and material used in the field; and what follows from them.

They feed the charts of a machine, the spread between machines of a kind, rollouts, and the totals of what went down.
"""

from typing import Annotated, Literal

from msgspec import Meta

from catchpan.contract.base import Count, Digest, Id, Instant, Name, Note, OpenEnum, Reason, ShortNote, Wire
from catchpan.contract.checks import (
    MAX_CHECKS,
    ChartedCheck,
    CheckCatchAnswer,
    Decision,
    FieldCheckAnswer,
)
from catchpan.contract.curves import Catch
from catchpan.contract.findings import Finding
from catchpan.contract.profiles import Number, Purpose
from catchpan.quantities import Area, Length, Mass, Rate, Ratio, Time


class CaughtAgain(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """Check catches with a revision: they are held against its curve, with the machine's correction of that day."""

    catches: Annotated[list[Catch], Meta(min_length=1, max_length=MAX_CHECKS)]
    tolerance: Ratio | None = None
    confidence: Ratio | None = None
    scale_readability: Mass | None = None
    timer_uncertainty: Time | None = None
    opening_uncertainty: Ratio | None = None
    shared_uncertainty: Ratio | None = None
    repeatability: Ratio | None = None


class UsedMaterial(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """Material used on a job, as the scale or the bags say.

    ``work`` names a work rate of the revision: ``rate``, ``laid_width`` and ``coverages`` are its, unless they are
    told here. With a rate, and a distance or an area, it is held against what should have been used; else it only
    counts in the totals.
    """

    used: Mass
    work: Purpose | None = None
    rate: Rate | None = None
    laid_width: Length | None = None
    distance: Length | None = None
    area: Area | None = None
    coverages: Literal[1, 2] | None = None
    tolerance: Ratio | None = None
    used_uncertainty: Ratio | None = None
    distance_uncertainty: Ratio | None = None
    area_uncertainty: Ratio | None = None


class MachineCheckRequest(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """A check of a machine with a revision of a profile: exactly one of ``caught`` and ``used``."""

    profile: Id
    number: Number
    at: Instant
    by: Name
    lot: ShortNote = ""
    caught: CaughtAgain | None = None
    used: UsedMaterial | None = None
    note: Note = ""


class MachineCheck(Wire, kw_only=True, frozen=True):
    """A check as recorded, and what follows from it; ``correction`` is the factor that was in force then.

    ``area`` is the ground that was covered, where the record tells it. A check that was struck counts nowhere.
    """

    id: Id
    machine: Id
    machine_name: Name
    branch: Id
    number: Count
    recorded: Instant
    recorded_by: Name
    record: MachineCheckRequest
    digest: Digest
    correction: float
    caught: CheckCatchAnswer | None
    used: FieldCheckAnswer | None
    area: Area | None
    struck: Instant | None
    why_struck: str | None


class CheckKind(OpenEnum):
    """What a check was."""

    CAUGHT = "caught"
    USED = "used"


class MachineCheckSummary(Wire, kw_only=True, frozen=True):
    """A check in a list: ``ratio`` is what was delivered over what was promised, with the correction of that day."""

    id: Id
    number: Count
    profile: Id
    revision: Number
    at: Instant
    by: Name
    lot: ShortNote
    kind: CheckKind
    decision: Decision | None
    ratio: Ratio | None
    standard_uncertainty: Ratio | None
    used: Mass | None
    area: Area | None
    struck: Instant | None


class MachineCheckPage(Wire, kw_only=True, frozen=True):
    """One page of a machine's checks, the one recorded last first; ``next`` is the cursor of the following page."""

    items: list[MachineCheckSummary]
    next: str | None


class StrikeRequest(Wire, kw_only=True, frozen=True):
    """Why a check is to count no longer; it stays on record."""

    reason: Reason


class ChartLine(Wire, kw_only=True, frozen=True):
    """One check on a chart."""

    number: Count
    at: Instant
    by: Name
    kind: CheckKind
    ratio: Ratio
    standard_uncertainty: Ratio
    charted: ChartedCheck


class MaterialChart(Wire, kw_only=True, frozen=True):
    """The checks of one machine with one material, oldest first, on both charts: see ``compute/check-series``."""

    material: Id
    material_name: Name
    checks: list[ChartLine]
    ewma_limit: float
    cusum_limit: float
    findings: list[Finding]


class MachineCharts(Wire, kw_only=True, frozen=True):
    """The charts of one machine, by material."""

    machine: Id
    machine_name: Name
    charts: list[MaterialChart]


class MachineDeviation(Wire, kw_only=True, frozen=True):
    """How much more a machine delivers, without correction, than all that were checked with the same revision."""

    machine: Id
    name: Name
    checks: Count
    deviation: Ratio


class KindSpread(Wire, kw_only=True, frozen=True):
    """The spread between machines of a kind, from the last check catches of each with each revision.

    ``spread`` goes as ``between_machine_spread`` into ``compute/opening``, with ``machines_checked``; it is null below
    three machines.
    """

    machine_kind: Id
    spread: Ratio | None
    machines_checked: Count
    machines: list[MachineDeviation]
    findings: list[Finding]
