"""``compute/catch-plan``: which openings to catch at, how long and how often."""

from typing import Annotated, Literal

from msgspec import Meta

from catchpan.contract.base import Wire
from catchpan.contract.curves import Catch, Curve
from catchpan.contract.findings import Finding
from catchpan.contract.problems import Problem
from catchpan.quantities import Length, Mass, Rates, Ratio, Speeds, Time


class CatchPlanRequest(Wire, kw_only=True, frozen=True):
    """What crews lay, what there is to catch with, and what is known: nothing, a similar curve, or catches so far."""

    rates: Rates
    speeds: Speeds
    pass_spacing: Length
    coverages: Literal[1, 2] = 1
    bucket: Mass
    bag: Mass
    scale_readability: Mass | None = None
    timer_uncertainty: Time | None = None
    repeatability: Ratio | None = None
    similar: Curve | None = None
    caught: Annotated[list[Catch], Meta(max_length=200)] = []
    target: Ratio | None = None
    most: Annotated[int, Meta(ge=1, le=100)] | None = None


class PlannedCatch(Wire, kw_only=True, frozen=True):
    """One catch to make, and the mass to expect."""

    opening: Ratio
    duration: Time
    expected_mass: Mass


class CatchPlanAnswer(Wire, kw_only=True, frozen=True):
    """The catches to make by opening, none where those so far are enough.

    ``predicted`` is the worst uncertainty (95 %) of the curve over the working openings with them, ``in_use`` what
    finding an opening adds there, against which no catch helps.
    """

    catches: list[PlannedCatch]
    predicted: Ratio
    predicted_now: Ratio | None
    in_use: Ratio
    target: Ratio
    enough: bool
    smallest_working_opening: Ratio
    largest_working_opening: Ratio
    material: Mass
    time: Time
    assumed: list[str]
    findings: list[Finding]


class CatchPlanBatch(Wire, kw_only=True, frozen=True):
    """Several plans; the answers come in the same order."""

    items: Annotated[list[CatchPlanRequest], Meta(max_length=50)]


class CatchPlanItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch."""

    result: CatchPlanAnswer | None = None
    problem: Problem | None = None


class CatchPlanAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[CatchPlanItem]
