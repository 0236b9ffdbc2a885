"""``compute/granules``: a sieve analysis tells how large the granules are, and how uniform."""

from typing import Annotated, Literal

from msgspec import Meta

from catchpan.contract.base import Wire
from catchpan.contract.findings import Finding
from catchpan.contract.problems import Problem
from catchpan.quantities import Length, Lengths, Masses, Ratios

Interpolation = Literal["linear", "logarithmic"]

SIEVES = {
    5: 4.00, 6: 3.35, 7: 2.80, 8: 2.36, 10: 2.00, 12: 1.70, 14: 1.40,
    16: 1.18, 18: 1.00, 20: 0.850, 25: 0.710, 30: 0.600, 35: 0.500, 40: 0.425,
}  # fmt: skip
"""Openings in millimetres of sieves by their number (ASTM E11; from memory, but for Nos. 8 and 20)."""


class GranulesRequest(Wire, kw_only=True, frozen=True):
    """Sieves from the coarsest to the finest, and what each retained: ``masses``, or ``shares``.

    Behind the last sieve stands what fell through it.
    """

    sieves: Lengths
    masses: Masses | None = None
    shares: Ratios | None = None
    interpolation: Interpolation = "linear"


class GranulesAnswer(Wire, kw_only=True, frozen=True):
    """Sizes that a tenth, half and 95 % of the mass are coarser than; null where the sieves do not reach.

    ``size_guide_number`` is 100 times the middle one in millimetres, ``uniformity_index`` 100 times the last over the
    first.
    """

    size_guide_number: float | None
    uniformity_index: float | None
    coarse: Length | None
    middle: Length | None
    fine: Length | None
    interpolation: Interpolation
    findings: list[Finding]


class GranulesBatch(Wire, kw_only=True, frozen=True):
    """Several analyses; the answers come in the same order."""

    items: Annotated[list[GranulesRequest], Meta(max_length=500)]


class GranulesItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch."""

    result: GranulesAnswer | None = None
    problem: Problem | None = None


class GranulesAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[GranulesItem]
