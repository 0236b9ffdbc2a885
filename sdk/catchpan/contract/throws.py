"""``compute/throw``: observed throws become a law of throw by impeller speed, for each side."""

from typing import Annotated

from msgspec import Meta

from catchpan.contract.base import Wire
from catchpan.contract.findings import Finding
from catchpan.contract.problems import Problem
from catchpan.quantities import Length, Lengths, Rotation, Rotations

MAX_OBSERVATIONS = 200
MAX_BATCH = 100


class ThrowObservation(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """One impeller speed, and how far material landed from the middle of the pass on one side or both."""

    impeller_speed: Rotation
    left: Length | None = None
    right: Length | None = None


class ThrowRequest(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """Observed throws, and what to find from them.

    ``throw_uncertainty`` is the standard uncertainty of one throw, half a foot by default.
    """

    observations: Annotated[list[ThrowObservation], Meta(min_length=1, max_length=MAX_OBSERVATIONS)]
    throw_uncertainty: Length | None = None
    impeller_speeds: Rotations | None = None
    wanted_throws: Lengths | None = None


class ThrowAtSpeed(Wire, kw_only=True, frozen=True):
    """The throw at an impeller speed, with its 95 % interval."""

    impeller_speed: Rotation
    throw: Length
    low: Length
    high: Length
    extrapolated: bool


class SpeedForThrow(Wire, kw_only=True, frozen=True):
    """The impeller speed for a throw, with its 95 % interval; null where the throws do not bound it."""

    throw: Length
    impeller_speed: Rotation | None
    low: Rotation | None
    high: Rotation | None
    extrapolated: bool


class SideThrow(Wire, kw_only=True, frozen=True):
    """One side: throw = reference_throw × (impeller speed / reference_speed) ^ exponent."""

    reference_speed: Rotation
    reference_throw: Length
    reference_throw_uncertainty: Length
    exponent: float
    exponent_uncertainty: float
    exponent_assumed: bool
    correlation: float
    chi_square: float
    degrees_of_freedom: float
    observations: int
    slowest: Rotation
    fastest: Rotation
    throws: list[ThrowAtSpeed]
    speeds: list[SpeedForThrow]


class ThrowAnswer(Wire, kw_only=True, frozen=True):
    """Both sides, null for one that was not observed."""

    left: SideThrow | None
    right: SideThrow | None
    throw_uncertainty: Length
    findings: list[Finding]


class ThrowBatch(Wire, kw_only=True, frozen=True):
    """Several sets of throws; the answers come in the same order."""

    items: Annotated[list[ThrowRequest], Meta(max_length=MAX_BATCH)]


class ThrowItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch."""

    result: ThrowAnswer | None = None
    problem: Problem | None = None


class ThrowAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[ThrowItem]
