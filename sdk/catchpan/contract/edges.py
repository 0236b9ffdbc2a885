"""``compute/edge``: how far from an edge to drive, and where the first overlapped pass goes."""

from typing import Annotated, Literal

from msgspec import Meta

from catchpan.contract.base import OpenEnum, Wire
from catchpan.contract.findings import Finding
from catchpan.contract.overlaps import Driving, Pans
from catchpan.contract.problems import Problem
from catchpan.quantities import Length, Lengths, MassPerLength, Rate, Ratio, Ratios

EdgeSide = Literal["left", "right"]
Beyond = Literal["turf", "water", "paving", "beds", "other"]

MAX_BATCH = 12


class FirstHeading(OpenEnum):
    """Which way the first overlapped pass is driven, seen from the edge pass."""

    SAME = "same"
    OPPOSITE = "opposite"


class EdgeRequest(Pans, kw_only=True, frozen=True, omit_defaults=True):
    """A pan test, and an edge on one ``side`` of the driver along the edge pass.

    ``edge_pans`` is the pan test of the edge pass where its pattern is another, as with one side shielded.
    ``stand_off`` is the distance of the edge pass's middle from the edge; by default the smallest that keeps the limit.
    ``laid_width`` is what an edge pass answers for. Relative rates are over the wanted rate.
    """

    side: EdgeSide
    pass_spacing: Length
    edge_pans: Pans | None = None
    laid_width: Length | None = None
    stand_off: Length | None = None
    distances: Lengths | None = None
    off_target_limit: Ratio | None = None
    lowest_relative: Ratio | None = None
    highest_relative: Ratio | None = None
    driving: Annotated[list[Driving], Meta(min_length=1, max_length=2)] | None = None
    most_edge_passes: Annotated[int, Meta(ge=1, le=5)] = 3
    beyond: Beyond | None = None
    rate: Rate | None = None
    label_highest_rate: Rate | None = None


class GapRange(Wire, kw_only=True, frozen=True):
    """Gaps from ``lowest`` to ``highest`` that all keep the limits."""

    lowest: Length
    highest: Length


class EdgeSeam(Wire, kw_only=True, frozen=True):
    """How edge passes and overlapped passes meet.

    ``gap`` is the distance of the first overlapped pass from the last edge pass, ``first_overlapped`` that from the
    edge; edge passes lie a laid width apart. ``relative_min`` is the smallest rate from the middle of the first edge
    pass to where only overlapped passes lie, ``relative_max`` the largest from the edge on. The ``light_strip`` along
    the edge gets less than the lowest rate that is wanted.
    """

    edge_passes: int
    gap: Length
    gap_range: GapRange | None
    first_overlapped: Length
    first_heading: FirstHeading
    within_limits: bool
    relative_min: Ratio
    relative_max: Ratio
    light_strip: Length


class EdgeDriving(Wire, kw_only=True, frozen=True):
    """One way of driving: the seam, null where there is none, and what overlapped passes lay by themselves."""

    seam: EdgeSeam | None
    overlapped_min: Ratio
    overlapped_max: Ratio


class EdgeByDriving(Wire, kw_only=True, frozen=True):
    """The answer for each way of driving that was asked for."""

    one_way: EdgeDriving | None = None
    back_and_forth: EdgeDriving | None = None


class EdgeAnswer(Wire, kw_only=True, frozen=True):
    """The stand-off, what lands beyond the edge, and the seam.

    ``smallest_stand_off`` keeps the limit; null where the row of pans ends inside the throw. ``share_beyond`` is what
    lands beyond the edge of an edge pass's material at ``stand_off``, ``mass_beyond`` the mass of it.
    """

    side: EdgeSide
    smallest_stand_off: Length | None
    smallest_stand_off_uncertainty: Length | None
    stand_off: Length | None
    share_beyond: Ratio | None
    mass_beyond: MassPerLength | None
    distances: Lengths | None
    shares: Ratios | None
    laid_width: Length
    overlapped_stand_off: Length | None
    off_target_limit: Ratio
    lowest_relative: Ratio
    highest_relative: Ratio
    by_driving: EdgeByDriving
    findings: list[Finding]


class EdgeBatch(Wire, kw_only=True, frozen=True):
    """Several edges; the answers come in the same order."""

    items: Annotated[list[EdgeRequest], Meta(max_length=MAX_BATCH)]


class EdgeItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch."""

    result: EdgeAnswer | None = None
    problem: Problem | None = None


class EdgeAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[EdgeItem]
