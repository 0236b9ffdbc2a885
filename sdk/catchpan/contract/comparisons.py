"""``compute/machine-comparison``: do several machines, with the same openings and material, deliver the same?"""

from typing import Annotated

from msgspec import Meta

from catchpan.contract.base import Name, Wire
from catchpan.contract.curves import Catch
from catchpan.contract.findings import Finding
from catchpan.contract.problems import Problem
from catchpan.quantities import Ratio


class CaughtMachine(Wire, kw_only=True, frozen=True):
    """One machine and its catches."""

    name: Name
    catches: Annotated[list[Catch], Meta(min_length=1, max_length=200)]


class ComparisonRequest(Wire, kw_only=True, frozen=True):
    """Machines of one kind, caught with one material at the same openings."""

    machines: Annotated[list[CaughtMachine], Meta(min_length=1, max_length=200)]


class MachineDeviation(Wire, kw_only=True, frozen=True):
    """How much more or less than the mean of all a machine gives, and whether that is beyond scatter."""

    name: Name
    deviation: Ratio
    stands_out: bool


class SpreadInterval(Wire, kw_only=True, frozen=True):
    """From ``low`` to ``high``, 95 %; null where nothing bounds it."""

    low: Ratio
    high: Ratio | None


class ComparisonAnswer(Wire, kw_only=True, frozen=True):
    """Analysis of variance of the logarithms of the flows.

    ``between_machine_spread`` and ``machines_checked`` go into ``compute/opening``, for the interval of any machine.
    """

    machines: list[MachineDeviation]
    f: float | None
    p: float
    between_degrees_of_freedom: int
    within_degrees_of_freedom: int
    within_spread: Ratio
    between_machine_spread: Ratio
    between_machine_spread_interval: SpreadInterval
    machines_checked: int
    findings: list[Finding]


class ComparisonBatch(Wire, kw_only=True, frozen=True):
    """Several comparisons; the answers come in the same order."""

    items: Annotated[list[ComparisonRequest], Meta(max_length=100)]


class ComparisonItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch."""

    result: ComparisonAnswer | None = None
    problem: Problem | None = None


class ComparisonAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[ComparisonItem]
