"""``compute/ground-speed``: a timed course, and what the controller makes of it."""

from typing import Annotated

from msgspec import Meta

from catchpan.contract.base import Wire
from catchpan.contract.findings import Finding
from catchpan.contract.problems import Problem
from catchpan.quantities import Length, Ratio, Speed, Time, Times

Pulses = Annotated[list[Annotated[int, Meta(ge=0, le=1_000_000_000)]], Meta(max_length=1000)]


class GroundSpeedRequest(Wire, kw_only=True, frozen=True):
    """A course and the times of its runs; ``pulses`` counts those of each run.

    ``controller_pulses`` of ``controller_distance`` is what the controller is set to.
    """

    distance: Length
    durations: Times
    pulses: Pulses | None = None
    controller_speed: Speed | None = None
    controller_pulses: Annotated[float, Meta(gt=0)] | None = None
    controller_distance: Length | None = None
    timer_uncertainty: Time | None = None
    course_uncertainty: Ratio | None = None


class SpeedInterval(Wire, kw_only=True, frozen=True):
    """From ``low`` to ``high``, 95 %."""

    low: Speed
    high: Speed


class GroundSpeedAnswer(Wire, kw_only=True, frozen=True):
    """The speed over the course; differences are those of the controller, relative to the course."""

    speed: Speed
    standard_uncertainty: Speed
    interval: SpeedInterval
    pulses_each: Annotated[float, Meta(description="Pulses counted over the course, mean of the runs.")] | None
    controller_difference: Ratio | None
    pulse_difference: Ratio | None
    findings: list[Finding]


class GroundSpeedBatch(Wire, kw_only=True, frozen=True):
    """Several courses; the answers come in the same order."""

    items: Annotated[list[GroundSpeedRequest], Meta(max_length=1000)]


class GroundSpeedItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch."""

    result: GroundSpeedAnswer | None = None
    problem: Problem | None = None


class GroundSpeedAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[GroundSpeedItem]
