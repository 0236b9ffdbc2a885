"""``compute/opening`` and ``compute/opening-chart``: a rate becomes an opening, for a spacing and a speed."""

from typing import Annotated, Literal

from msgspec import Meta

from catchpan.contract.base import OpenEnum, Wire
from catchpan.contract.curves import Curve, Gates
from catchpan.contract.findings import Finding
from catchpan.contract.problems import Problem
from catchpan.quantities import Flow, Length, Rate, Rates, Ratio, RatioGrid, Speed, Speeds

MAX_BATCH = 1000


class OpeningStatus(OpenEnum):
    """Exactly one, the first that applies, in this order."""

    BEYOND_FULL_OPENING = "beyond_full_opening"
    BELOW_STEADY_FLOW = "below_steady_flow"
    STEADINESS_UNKNOWN = "steadiness_unknown"
    OUTSIDE_CATCHES = "outside_catches"
    OK = "ok"


class OpeningRequest(Wire, kw_only=True, frozen=True):
    """A rate to lay: exactly one of ``pass_spacing`` (overlapped pass) or ``edge_width`` (edge pass).

    ``between_machine_spread`` and ``machines_checked``, from ``compute/machine-comparison``, give the interval of any
    machine of the kind.
    """

    curve: Curve
    rate: Rate
    speed: Speed
    pass_spacing: Length | None = None
    edge_width: Length | None = None
    coverages: Literal[1, 2] = 1
    gates: Gates = "both"
    correction: float = 1.0
    opening_step: Ratio | None = None
    label_highest_rate: Rate | None = None
    between_machine_spread: Ratio | None = None
    machines_checked: Annotated[int, Meta(ge=1, le=100_000)] | None = None


class OpeningInterval(Wire, kw_only=True, frozen=True):
    """Openings that would lay exactly this rate, 95 %; null for an end that the gate or the curve does not reach."""

    low: Ratio | None
    high: Ratio | None


class RateRange(Wire, kw_only=True, frozen=True):
    """From ``low`` to ``high``."""

    low: Rate
    high: Rate


class RateInterval(Wire, kw_only=True, frozen=True):
    """Rates that this opening would lay, 95 %: on the machine that was caught, and on any machine of its kind."""

    this_machine: RateRange | None
    any_machine: RateRange | None


class SpeedRange(Wire, kw_only=True, frozen=True):
    """Ground speeds that this rate allows, from the smallest steady flow to the full opening; null where not known."""

    low: Speed | None
    high: Speed | None


class OpeningAnswer(Wire, kw_only=True, frozen=True):
    """The opening for a rate, how sure it is, and the speeds that would work."""

    flow: Flow
    opening: Ratio | None
    opening_interval: OpeningInterval | None
    rate_interval: RateInterval
    set_opening: Ratio | None
    rate_at_set_opening: Rate | None
    speed_range: SpeedRange
    status: OpeningStatus
    findings: list[Finding]


class ChartRequest(Wire, kw_only=True, frozen=True):
    """The same question for a grid of rates and speeds."""

    curve: Curve
    rates: Rates
    speeds: Speeds
    pass_spacing: Length | None = None
    edge_width: Length | None = None
    coverages: Literal[1, 2] = 1
    gates: Gates = "both"
    correction: float = 1.0
    opening_step: Ratio | None = None
    label_highest_rate: Rate | None = None
    between_machine_spread: Ratio | None = None
    machines_checked: Annotated[int, Meta(ge=1, le=100_000)] | None = None


class ChartAnswer(Wire, kw_only=True, frozen=True):
    """Openings by rate (rows) and speed (columns), null where there is none, and the status of each."""

    rates: Rates
    speeds: Speeds
    openings: RatioGrid
    status: list[list[OpeningStatus]]
    findings: list[Finding]


class OpeningBatch(Wire, kw_only=True, frozen=True):
    """Several questions; the answers come in the same order."""

    items: Annotated[list[OpeningRequest], Meta(max_length=MAX_BATCH)]


class OpeningItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch."""

    result: OpeningAnswer | None = None
    problem: Problem | None = None


class OpeningAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[OpeningItem]


class ChartBatch(Wire, kw_only=True, frozen=True):
    """Several charts; the answers come in the same order."""

    items: Annotated[list[ChartRequest], Meta(max_length=MAX_BATCH)]


class ChartItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch."""

    result: ChartAnswer | None = None
    problem: Problem | None = None


class ChartAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[ChartItem]
