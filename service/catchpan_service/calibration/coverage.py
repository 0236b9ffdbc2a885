"""A coverage map: what passes over real ground leave on each part of it, and beside it.

The model: the machine spreads only while its middle is inside the ground, on straight pieces of its passes; the pattern
stands across the pass and travels with it. So a pass that begins or ends does so along a line across it. Left out are
turns (nothing is spread while the machine turns on the spot, so that the outside of a corner stays bare and its inside
gets twice), throw ahead and behind, wind, slopes, and that the flow starts and stops late.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from .coverage_findings import coverage_findings
from .deposition import Grid, Swath, grid_over, lay
from .driven import DrivenPass, Plan, drive
from .edge import edge_width
from .edge_limits import (
    HIGHEST_RELATIVE,
    LOWEST_RELATIVE,
    OFF_TARGET_LIMIT,
    Limits,
    checked_limits,
    label_share,
    length,
)
from .errors import CalibrationError
from .findings import Finding
from .limits import limited
from .outline import Ground, ground
from .pattern import FloatArray, Pattern
from .stand_off import SIDES, Side, check_row, stand_off
from .superposition import DRIVINGS, Driving

TREATED_SHARE = 0.05
"""Ground that gets this share of the wanted rate counts as treated, as throw is measured (common practice)."""

BINS = np.linspace(0.0, 2.0, 9)
"""Edges of the histogram of relative rates; what lies above the last counts into one more."""

USUAL_CELLS = 250_000
"""Cells over the ground's own box, unless a cell is given."""

SMALLEST_CELL = 0.01
"""[m], smaller than any granule's bounce."""

MOST_RINGS = 10
"""Edge passes, and headlands."""


@dataclass(frozen=True)
class OffTarget:
    """Material that lands where none should: outside the outline (`hole` None), or in a hole, by its number."""

    hole: int | None
    mass: float


@dataclass(frozen=True)
class CoverageAnswer:
    """What passes leave on the ground.

    Attributes
    ----------
    origin : FloatArray
        (2,) what all coordinates are from [m].
    passes : list of DrivenPass
    stand_off, laid_width, gap : float or None
        [m], of edge passes; None without.
    pass_length : float
        [m], of all passes.
    area, treated_area : float
        [m2], to treat, and what of it gets a twentieth of the wanted rate or more.
    material, on_target : float
        [kg], all that is spread, exactly, and what of it lies on the ground, on the grid.
    off_target : tuple of OffTarget
        By place, those that get none left out.
    mean_rate : float
        [kg/m2], over the ground.
    cv : float
        Population standard deviation over mean, cell by cell.
    relative_max : float
        Largest rate of a cell over the wanted rate.
    under, over : float
        Shares of the ground below and above the limits.
    histogram : FloatArray
        (9,) shares of the ground by relative rate, between :data:`BINS` and above.
    grid : Grid
        Coordinates from `origin`.
    findings : tuple of Finding
    """

    origin: FloatArray
    passes: list[DrivenPass]
    stand_off: float | None
    laid_width: float | None
    gap: float | None
    pass_length: float
    area: float
    treated_area: float
    material: float
    on_target: float
    off_target: tuple[OffTarget, ...]
    mean_rate: float
    cv: float
    relative_max: float
    under: float
    over: float
    histogram: FloatArray
    grid: Grid
    findings: tuple[Finding, ...]


def coverage(
    pattern: Pattern,
    *,
    outline: ArrayLike,
    holes: Sequence[ArrayLike] = (),
    rate: float,
    pass_spacing: float,
    heading: float = 0.0,
    driving: Driving = "back_and_forth",
    edge_passes: int = 1,
    headlands: int = 0,
    side: Side = "right",
    edge_pattern: Pattern | None = None,
    given_stand_off: float | None = None,
    laid_width: float | None = None,
    gap: float | None = None,
    cell: float | None = None,
    off_target_limit: float = OFF_TARGET_LIMIT,
    lowest_relative: float = LOWEST_RELATIVE,
    highest_relative: float = HIGHEST_RELATIVE,
    label_highest_rate: float | None = None,
) -> CoverageAnswer:
    """Drive a plan over ground and map what it leaves.

    Edge passes run along the outline and round the holes, headlands behind them, and overlapped passes side by side
    over the rest; see :func:`.driven.drive`, and the model in this module's first words. Every pass lays the wanted
    rate times its laid width; pans never set the rate.

    Parameters
    ----------
    pattern : Pattern
        Of headlands and overlapped passes.
    outline : array_like
        (n, 2) corners [m].
    holes : sequence of array_like
        (m, 2) each.
    rate : float
        Wanted [kg/m2].
    pass_spacing : float
        [m].
    heading : float
        Of the overlapped passes, anticlockwise from the x axis [rad].
    driving : str
        ``one_way`` or ``back_and_forth``.
    edge_passes, headlands : int
        Rings of each.
    side : str
        Where the edge is, seen from the driver along the rings.
    edge_pattern : Pattern, optional
        Of the edge passes; by default the same.
    given_stand_off : float, optional
        Of the first edge pass [m]; by default the smallest that keeps the limit.
    laid_width : float, optional
        What an edge pass answers for [m]; by default that of :func:`.edge.edge_width`.
    gap : float, optional
        From the last edge pass to the first pass behind it [m]; by default half a laid width and half a spacing.
    cell : float, optional
        [m]; by default one that gives 250 000 cells over the ground's box, 0.1 m or more.
    off_target_limit, lowest_relative, highest_relative : float
        Largest share of material off target, limits of the rate over the wanted rate.
    label_highest_rate : float, optional
        [kg/m2].

    Raises
    ------
    CalibrationError
        For ground, a plan or a grid that cannot be computed, and where there is no stand-off.

    Examples
    --------
    >>> across = np.array([0.0, 0.02, 0.0])
    >>> laid = Pattern(np.array([-3.0, 0.0, 3.0]), across, None, 1, across[None])
    >>> lawn = [[0, 0], [60, 0], [60, 30], [0, 30]]
    >>> found = coverage(laid, outline=lawn, rate=0.01, pass_spacing=3.0, edge_passes=0, cell=0.5)
    >>> round(found.material, 6), round(found.pass_length, 6)
    (18.0, 600.0)
    """
    _check_settings(driving, side, edge_passes, headlands)
    limits = checked_limits(off_target_limit, lowest_relative, highest_relative)
    label = label_share(rate, label_highest_rate)
    check_row(pattern)
    along = pattern if edge_pattern is None else edge_pattern
    check_row(along, ("positions",) if edge_pattern is None else ("edge_pattern", "positions"))
    spacing = length("pass_spacing", pass_spacing, 0.1)
    width = edge_width(edge_pattern, spacing, laid_width)
    plan = Plan(
        edge_passes,
        headlands,
        _stand_off(along, side, limits.off_target, given_stand_off) if edge_passes else 0.0,
        width,
        (width + spacing) / 2 if gap is None else length("gap", gap, 0.0),
        spacing,
        float(limited("heading", heading, -7.0, 7.0, "one turn either way")),
        driving,
        side,
    )
    where = ground(outline, holes)
    passes = drive(where, plan)
    swaths = {"edge": Swath(along, rate * width), "overlapped": Swath(pattern, rate * spacing)}
    laid = [(one.line, swaths["edge" if one.kind == "edge" else "overlapped"]) for one in passes]
    reach = max(float(np.abs(one.position).max()) for one in (pattern, along))
    size = _cell(where, cell)
    low, high = np.array(where.area.bounds).reshape(2, 2)
    grid = grid_over(low, high, reach + 2 * size, size)
    lay(grid, laid)
    material = sum(one.length * swath.mass_per_length for one, (_, swath) in zip(passes, laid, strict=True))
    return _answer(where, plan, passes, grid, rate, material, limits, label)


def _answer(
    where: Ground,
    plan: Plan,
    passes: list[DrivenPass],
    grid: Grid,
    rate: float,
    material: float,
    limits: Limits,
    label: float | None,
) -> CoverageAnswer:
    inside = _inside(grid, where.area)
    if not inside.any():
        message, allowed = "No cell has its middle on the ground.", "a smaller cell"
        raise CalibrationError("cell_too_large", message, where=("cell",), given=grid.cell, allowed=allowed)
    relative, square = np.round(grid.rate[inside] / rate, 9), grid.cell**2  # ground met exactly is not under its limit
    off = tuple(_off_target(grid, where, inside))
    share = sum(one.mass for one in off) / material
    under, over = (float(np.mean(one)) for one in (relative < limits.lowest, relative > limits.highest))
    most = float(relative.max())
    bins = np.histogram(relative, np.append(BINS, np.inf))[0] / len(relative)
    found = coverage_findings(
        plan=plan,
        rings=sum(one.kind == "edge" for one in passes),
        cell=grid.cell,
        off=(share, limits.off_target, bool(off)),
        under=under,
        over=over,
        label=None if label is None else most * label,
    )
    ringed = plan.edge_passes > 0
    return CoverageAnswer(
        where.origin,
        passes,
        plan.stand_off if ringed else None,
        plan.laid_width if ringed else None,
        plan.gap if ringed else None,
        sum(one.length for one in passes),
        float(where.area.area),
        float(where.area.area) * float(np.mean(relative >= TREATED_SHARE)),
        material,
        float(grid.rate[inside].sum()) * square,
        off,
        float(relative.mean()) * rate,
        float(relative.std() / relative.mean()) if most > 0 else 0.0,
        most,
        under,
        over,
        np.asarray(bins, dtype=np.float64),
        grid,
        found,
    )


def _inside(grid: Grid, area: object) -> NDArray[np.bool_]:
    """Return which cells have their middle in an area."""
    x, y = grid.middles
    shapely.prepare(area)
    return np.asarray(shapely.contains_xy(area, *np.meshgrid(x, y)), dtype=np.bool_)


def _off_target(grid: Grid, where: Ground, inside: NDArray[np.bool_]) -> list[OffTarget]:
    """Return what lies outside the outline and in each hole; cells right on an edge count as outside."""
    square, outside = grid.cell**2, ~inside
    found = []
    for number, hole in enumerate(where.holes):
        there = _inside(grid, hole) & outside
        outside &= ~there
        found.append(OffTarget(number, float(grid.rate[there].sum()) * square))
    found.insert(0, OffTarget(None, float(grid.rate[outside].sum()) * square))
    return [one for one in found if one.mass > 0]


def _stand_off(along: Pattern, side: Side, limit: float, told: float | None) -> float:
    if told is not None:
        return length("stand_off", told, 0.0)
    own = stand_off(along, side=side, limit=limit).distance
    if own is None:
        message = "The row of pans ends inside the throw, so that no stand-off is shown to keep the limit."
        allowed = "a stand-off, or a pan test whose last pan on that side is empty"
        raise CalibrationError("no_stand_off", message, where=("stand_off",), given=None, allowed=allowed)
    return own


def _cell(where: Ground, cell: float | None) -> float:
    if cell is not None:
        return float(limited("cell", cell, SMALLEST_CELL, 100.0, "0.01 to 100 m"))
    left, low, right, high = where.area.bounds
    return max(0.1, float(np.sqrt((right - left) * (high - low) / USUAL_CELLS)))


def _check_settings(driving: str, side: str, edge_passes: int, headlands: int) -> None:
    if driving not in DRIVINGS:
        message, allowed = "The way of driving is not known.", "one_way or back_and_forth"
        raise CalibrationError("bad_driving", message, where=("driving",), given=driving, allowed=allowed)
    if side not in SIDES:
        message, allowed = "The side of the edge is not known.", "left or right"
        raise CalibrationError("bad_side", message, where=("side",), given=side, allowed=allowed)
    for name, count in (("edge_passes", edge_passes), ("headlands", headlands)):
        if count not in range(MOST_RINGS + 1):
            message, allowed = "So many rings are not driven.", f"a whole number from 0 to {MOST_RINGS}"
            raise CalibrationError("bad_rings", message, where=(name,), given=count, allowed=allowed)
