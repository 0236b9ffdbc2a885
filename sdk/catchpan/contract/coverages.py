"""``compute/coverage``: passes over a real outline, and what they leave on each part of it."""

from typing import Annotated

from msgspec import Meta

from catchpan.contract.base import Count, OpenEnum, ShortNote, Wire
from catchpan.contract.edges import EdgeSide
from catchpan.contract.findings import Finding
from catchpan.contract.overlaps import Driving, Pans
from catchpan.contract.problems import Problem
from catchpan.quantities import Angle, Area, Length, Lengths, Mass, Rate, RateGrid, Ratio, Ratios

MAX_HOLES = 50
MAX_BATCH = 4
MAX_GRID = 40_000
"""Cells of a grid that an answer holds."""

Rings = Annotated[int, Meta(ge=0, le=10)]


class PassKind(OpenEnum):
    """Along an edge, round the ground behind that, or side by side over the rest."""

    EDGE = "edge"
    HEADLAND = "headland"
    OVERLAPPED = "overlapped"


class Ring(Wire, kw_only=True, frozen=True):
    """The corners of an outline in the order in which one walks round, in plane coordinates of one's own."""

    x: Lengths
    y: Lengths


class Hole(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """What is not to be treated inside the outline: a bed, a pond, a building."""

    name: ShortNote = ""
    x: Lengths
    y: Lengths


class CoverageRequest(Pans, kw_only=True, frozen=True, omit_defaults=True):
    """A pan test, an outline, and how it is driven.

    ``edge_passes`` run along the outline and round the holes at the ``stand_off`` (by default the smallest that keeps
    the limit), with ``side`` towards the edge and the pattern of ``edge_pans`` if there are any; then ``headlands``;
    then straight passes over the rest, along ``heading`` (anticlockwise from the x axis). The first pass behind the
    edge passes lies the ``gap`` from the last of them. With ``grid`` the answer holds the rate of each cell.
    """

    outline: Ring
    holes: Annotated[list[Hole], Meta(max_length=MAX_HOLES)] = []
    rate: Rate
    pass_spacing: Length
    heading: Angle | None = None
    driving: Driving = "back_and_forth"
    edge_passes: Rings = 1
    headlands: Rings = 0
    side: EdgeSide = "right"
    edge_pans: Pans | None = None
    stand_off: Length | None = None
    laid_width: Length | None = None
    gap: Length | None = None
    cell: Length | None = None
    off_target_limit: Ratio | None = None
    lowest_relative: Ratio | None = None
    highest_relative: Ratio | None = None
    label_highest_rate: Rate | None = None
    grid: bool = False


class PassLine(Wire, kw_only=True, frozen=True):
    """The middle of one pass, in the order driven."""

    kind: PassKind
    x: Lengths
    y: Lengths
    length: Length


class OffTarget(Wire, kw_only=True, frozen=True):
    """Material that lands where none should: outside the outline (``hole`` null), or in a hole by number and name."""

    hole: Count | None
    name: str
    mass: Mass
    share: Ratio


class RateHistogram(Wire, kw_only=True, frozen=True):
    """Shares of the ground by rate over the wanted rate: one between each two ``edges``, and one above the last."""

    edges: Ratios
    shares: Ratios


class CoverageGrid(Wire, kw_only=True, frozen=True):
    """The rate of each cell. ``x`` and ``y`` are the middle of the first one; rows follow y, columns x."""

    x: Length
    y: Length
    cell: Length
    rates: RateGrid


class CoverageAnswer(Wire, kw_only=True, frozen=True):
    """What the passes leave on the ground, and beside it.

    ``material`` is all that is spread; ``material_on_target`` and ``off_target`` are summed over cells. ``mean_rate``,
    ``cv`` and the shares are over the ground without its holes, cell by cell.
    """

    passes: list[PassLine]
    stand_off: Length | None
    laid_width: Length | None
    gap: Length | None
    pass_length: Length
    area: Area
    treated_area: Area
    material: Mass
    material_on_target: Mass
    off_target: list[OffTarget]
    mean_rate: Rate
    cv: Ratio
    relative_max: Ratio
    under_share: Ratio
    over_share: Ratio
    lowest_relative: Ratio
    highest_relative: Ratio
    off_target_limit: Ratio
    histogram: RateHistogram
    cell: Length
    grid: CoverageGrid | None
    findings: list[Finding]


class CoverageBatch(Wire, kw_only=True, frozen=True):
    """Several maps; the answers come in the same order."""

    items: Annotated[list[CoverageRequest], Meta(max_length=MAX_BATCH)]


class CoverageItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch."""

    result: CoverageAnswer | None = None
    problem: Problem | None = None


class CoverageAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[CoverageItem]
