"""``compute/prior`` and ``compute/provisional-curve``: what other materials say of one that was hardly caught."""

from typing import Annotated

from msgspec import Meta

from catchpan.contract.base import Name, Wire
from catchpan.contract.curves import MAX_CATCHES, Catch, Curve, Prior
from catchpan.contract.findings import Finding
from catchpan.contract.problems import Problem
from catchpan.quantities import Mass, Ratio, Time

MAX_SETS = 60
MAX_BATCH = 5
MAX_LOANS = 500


class CatchSet(Wire, kw_only=True, frozen=True):
    """The catches of one material on a machine of the kind, at three openings or more."""

    material: Name
    catches: Annotated[list[Catch], Meta(min_length=1, max_length=MAX_CATCHES)]
    size_guide_number: float | None = None


class PriorRequest(Wire, kw_only=True, frozen=True):
    """A fleet's catch sets; ``without`` and ``size_guide_number`` are of the material that the prior is for."""

    sets: Annotated[list[CatchSet], Meta(min_length=1, max_length=MAX_SETS)]
    without: Name | None = None
    size_guide_number: float | None = None


class SetShape(Wire, kw_only=True, frozen=True):
    """Shape of one set's own curve, fitted without any prior; an opening is a share from 0 to 1."""

    material: str
    dead_opening: float
    dead_opening_uncertainty: float
    exponent: float
    exponent_uncertainty: float


class PriorAnswer(Wire, kw_only=True, frozen=True):
    """The prior for another material, what it rests on, and whether the dead opening was taken to grow with granules.

    ``size_gain`` says by how much that raised the log score of foretelling each material from the others; null where
    sizes are not all known.
    """

    prior: Prior
    materials: list[str]
    sets: list[SetShape]
    scaled_by_size: bool
    size_gain: float | None


class PriorBatch(Wire, kw_only=True, frozen=True):
    """Several priors; the answers come in the same order."""

    items: Annotated[list[PriorRequest], Meta(max_length=MAX_BATCH)]


class PriorItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch."""

    result: PriorAnswer | None = None
    problem: Problem | None = None


class PriorAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[PriorItem]


class ProvisionalRequest(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """The curve of a like material, and check catches of the one at hand at two openings or more."""

    curve: Curve
    catches: Annotated[list[Catch], Meta(min_length=1, max_length=MAX_CATCHES)]
    scale_readability: Mass | None = None
    timer_uncertainty: Time | None = None
    opening_uncertainty: Ratio | None = None
    shared_uncertainty: Ratio | None = None
    repeatability: Ratio | None = None


class LoanRatio(Wire, kw_only=True, frozen=True):
    """Caught over borrowed flow at one opening, and its relative standard uncertainty."""

    opening: Ratio
    catches: int
    ratio: Ratio
    standard_uncertainty: Ratio


class ProvisionalAnswer(Wire, kw_only=True, frozen=True):
    """The corrected curve; ``tilt_uncertainty`` is that of the exponent, added as two openings tell little of shape."""

    curve: Curve
    factor: Ratio
    standard_uncertainty: Ratio
    ratios: list[LoanRatio]
    agreement_p: float
    tilt_uncertainty: float
    findings: list[Finding]


class ProvisionalBatch(Wire, kw_only=True, frozen=True):
    """Several loans; the answers come in the same order."""

    items: Annotated[list[ProvisionalRequest], Meta(max_length=MAX_LOANS)]


class ProvisionalItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch."""

    result: ProvisionalAnswer | None = None
    problem: Problem | None = None


class ProvisionalAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[ProvisionalItem]
