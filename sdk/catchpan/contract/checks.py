"""``compute/check-catch``, ``field-check`` and ``check-series``: does a machine still do what its curve promises?"""

from typing import Annotated, Literal

from msgspec import Meta

from catchpan.contract.base import OpenEnum, Wire
from catchpan.contract.curves import Catch, Curve
from catchpan.contract.findings import Finding
from catchpan.contract.problems import Problem
from catchpan.quantities import Area, Length, Mass, Rate, Ratio, Time

MAX_CHECKS = 100
MAX_SERIES = 500
MAX_BATCH = 500
MAX_MACHINES = 100
Machines = Annotated[int, Meta(ge=1, le=1_000_000)]


class Decision(OpenEnum):
    """What to do after a check."""

    ACCEPT = "accept"
    CATCH_AGAIN = "catch_again"
    CORRECT = "correct"
    CALIBRATE_AGAIN = "calibrate_again"


class CheckCatchRequest(Wire, kw_only=True, frozen=True):
    """Check catches on one machine, and the curve and ``correction`` that it runs on.

    ``tolerance`` is the share of the wanted rate by which the true one may be off (default 5 %), ``confidence`` the
    probability from which something counts as shown (default 90 %).
    """

    curve: Curve
    catches: Annotated[list[Catch], Meta(min_length=1, max_length=MAX_CHECKS)]
    correction: float = 1.0
    tolerance: Ratio | None = None
    confidence: Ratio | None = None
    scale_readability: Mass | None = None
    timer_uncertainty: Time | None = None
    opening_uncertainty: Ratio | None = None
    shared_uncertainty: Ratio | None = None
    repeatability: Ratio | None = None


class CheckedOpening(Wire, kw_only=True, frozen=True):
    """One opening: caught over promised flow, and the probability that the true flow is within the tolerance."""

    opening: Ratio
    catches: int
    ratio: Ratio
    standard_uncertainty: Ratio
    within_tolerance: Ratio


class CheckCatchAnswer(Wire, kw_only=True, frozen=True):
    """What to do, and the probabilities behind it; ``correction`` is what would be in force after ``correct``."""

    decision: Decision
    openings: list[CheckedOpening]
    ratio: Ratio
    standard_uncertainty: Ratio
    within_tolerance: Ratio
    within_if_corrected: Ratio
    correction: float
    tolerance: Ratio
    confidence: Ratio
    agreement_p: float | None
    more_catches: int | None
    findings: list[Finding]


class CheckCatchBatch(Wire, kw_only=True, frozen=True):
    """Several checks; the answers come in the same order."""

    items: Annotated[list[CheckCatchRequest], Meta(max_length=MAX_BATCH)]


class CheckCatchItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch."""

    result: CheckCatchAnswer | None = None
    problem: Problem | None = None


class CheckCatchAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[CheckCatchItem]


class FieldCheckRequest(Wire, kw_only=True, frozen=True):
    """Material ``used`` in the field: with ``distance`` and ``laid_width``, or with ``area``, or with all three.

    The uncertainties are relative standard uncertainties; by default 1 % of material and distance, 2 % of area.
    """

    used: Mass
    rate: Rate
    laid_width: Length | None = None
    distance: Length | None = None
    area: Area | None = None
    coverages: Literal[1, 2] = 1
    tolerance: Ratio | None = None
    used_uncertainty: Ratio | None = None
    distance_uncertainty: Ratio | None = None
    area_uncertainty: Ratio | None = None


class FieldRatio(Wire, kw_only=True, frozen=True):
    """A ratio to what was wanted, 100 % as wanted, more is heavy; ``low`` to ``high`` holds it at 95 %."""

    value: Ratio
    low: Ratio
    high: Ratio


class FieldCheckAnswer(Wire, kw_only=True, frozen=True):
    """Used against what the distance should have taken, ground driven against ground there is, and both together.

    ``correction`` is the factor on flow that the check speaks for; driving never moves it.
    """

    flow_and_speed: FieldRatio | None
    driving: FieldRatio | None
    overall: FieldRatio | None
    correction: float | None
    findings: list[Finding]


class FieldCheckBatch(Wire, kw_only=True, frozen=True):
    """Several field checks; the answers come in the same order."""

    items: Annotated[list[FieldCheckRequest], Meta(max_length=MAX_BATCH)]


class FieldCheckItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch."""

    result: FieldCheckAnswer | None = None
    problem: Problem | None = None


class FieldCheckAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[FieldCheckItem]


class SeriesCheck(Wire, kw_only=True, frozen=True):
    """One earlier check of a machine: caught over promised flow, and its relative standard uncertainty."""

    ratio: Ratio
    standard_uncertainty: Ratio


class CheckSeriesRequest(Wire, kw_only=True, frozen=True):
    """The checks of one machine, oldest first; limits and slack in standard deviations.

    ``machines`` and ``checks_per_month`` are those of the fleet for which false alarms are told.
    """

    checks: Annotated[list[SeriesCheck], Meta(min_length=1, max_length=MAX_SERIES)]
    weight: float | None = None
    ewma_limit: float | None = None
    slack: float | None = None
    cusum_limit: float | None = None
    machines: Machines | None = None
    checks_per_month: float | None = None


class Signal(OpenEnum):
    """The side on which a chart signals."""

    HIGH = "high"
    LOW = "low"


class ChartedCheck(Wire, kw_only=True, frozen=True):
    """One check, standardised, and both charts after it."""

    standardised: float
    ewma: float
    cusum_high: float
    cusum_low: float
    signal: Signal | None


class CheckSeriesAnswer(Wire, kw_only=True, frozen=True):
    """Both charts: ``ewma_limit`` either side of 0, ``cusum_limit`` for both sums.

    The run lengths are mean numbers of checks to a false alarm; ``false_alarms_per_month`` is over the fleet and both
    charts together, at most.
    """

    checks: list[ChartedCheck]
    ewma_limit: float
    cusum_limit: float
    ewma_run_length: float
    cusum_run_length: float
    machines: int
    false_alarms_per_month: float
    findings: list[Finding]


class CheckSeriesBatch(Wire, kw_only=True, frozen=True):
    """Several machines; the answers come in the same order."""

    items: Annotated[list[CheckSeriesRequest], Meta(max_length=MAX_MACHINES)]


class CheckSeriesItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch."""

    result: CheckSeriesAnswer | None = None
    problem: Problem | None = None


class CheckSeriesAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[CheckSeriesItem]
