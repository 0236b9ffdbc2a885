"""``compute/gate-table``: the fewest rows of a controller's table whose straight lines are true enough."""

from typing import Annotated

from msgspec import Meta

from catchpan.contract.base import Wire
from catchpan.contract.curves import Curve
from catchpan.contract.findings import Finding
from catchpan.contract.problems import Problem
from catchpan.quantities import Flows, Ratio, Ratios


class GateTableRequest(Wire, kw_only=True, frozen=True):
    """A curve, the ends of the table, and how true it must be; by default where the curve was caught, and 1 %."""

    curve: Curve
    low: Ratio | None = None
    high: Ratio | None = None
    tolerance: Ratio | None = None
    opening_step: Ratio | None = None
    most_rows: Annotated[int, Meta(ge=2, le=1000)] | None = None


class GateTableAnswer(Wire, kw_only=True, frozen=True):
    """Rows of opening and flow; ``worst`` is the largest difference of the straight lines from the curve."""

    openings: Ratios
    flows: Flows
    worst: Ratio
    worst_opening: Ratio
    tolerance: Ratio
    findings: list[Finding]


class GateTableBatch(Wire, kw_only=True, frozen=True):
    """Several tables; the answers come in the same order."""

    items: Annotated[list[GateTableRequest], Meta(max_length=100)]


class GateTableItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch."""

    result: GateTableAnswer | None = None
    problem: Problem | None = None


class GateTableAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[GateTableItem]
