"""``compute/gate-stops``: between openings and actuator positions, backlash, and what has moved."""

from typing import Annotated, Literal

from msgspec import Meta

from catchpan.contract.base import Wire
from catchpan.contract.findings import Finding
from catchpan.contract.problems import Problem
from catchpan.quantities import Ratio, Ratios

Position = Annotated[float, Meta(description="Actuator position, in the actuator's own unit (counts, volts, mm).")]
Positions = Annotated[list[float], Meta(max_length=1000)]


class GateStopsRequest(Wire, kw_only=True, frozen=True):
    """One gate's stops, found with a gauge, and what to turn into what."""

    closed: Position
    open: Position
    side: Literal["both", "left", "right"] = "both"
    openings: Ratios | None = None
    positions: Positions = []
    from_below: Position | None = None
    from_above: Position | None = None
    previous_closed: Position | None = None
    previous_open: Position | None = None
    tolerance: Ratio | None = None


class GateStopsAnswer(Wire, kw_only=True, frozen=True):
    """Positions of the openings, openings of the positions, and what the gauge says of the gate."""

    side: Literal["both", "left", "right"]
    positions: list[float]
    openings: Ratios
    gate_range: float
    backlash: Ratio | None
    closed_moved: Ratio | None
    open_moved: Ratio | None
    tolerance: Ratio
    findings: list[Finding]


class GateStopsBatch(Wire, kw_only=True, frozen=True):
    """Several gates; the answers come in the same order."""

    items: Annotated[list[GateStopsRequest], Meta(max_length=1000)]


class GateStopsItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch."""

    result: GateStopsAnswer | None = None
    problem: Problem | None = None


class GateStopsAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[GateStopsItem]
