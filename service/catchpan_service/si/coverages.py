"""``compute/coverage`` between the wire and the mathematics."""

import numpy as np

from catchpan.contract.coverages import (
    MAX_GRID,
    CoverageAnswer,
    CoverageGrid,
    CoverageRequest,
    Hole,
    OffTarget,
    PassKind,
    PassLine,
    RateHistogram,
    Ring,
)
from catchpan.quantities import Area, Length, Lengths, Mass, Rate, RateGrid, Ratio, Ratios, System
from catchpan_service.calibration import coverage as mathematics
from catchpan_service.calibration.driven import DrivenPass
from catchpan_service.calibration.edge_limits import HIGHEST_RELATIVE, LOWEST_RELATIVE, OFF_TARGET_LIMIT
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.si.edges import as_requested, edge_pattern_of
from catchpan_service.si.overlaps import pattern_of
from catchpan_service.si.telling import FloatArray, Telling, array, findings, given, scalar


def solve(request: CoverageRequest, system: System) -> CoverageAnswer:
    """The map, told in a system of units.

    Raises
    ------
    CalibrationError
        Where there is none.
    """
    options = given(
        heading=scalar(request.heading),
        edge_pattern=edge_pattern_of(request.edge_pans),
        given_stand_off=scalar(request.stand_off),
        laid_width=scalar(request.laid_width),
        gap=scalar(request.gap),
        cell=scalar(request.cell),
        off_target_limit=scalar(request.off_target_limit),
        lowest_relative=scalar(request.lowest_relative),
        highest_relative=scalar(request.highest_relative),
        label_highest_rate=scalar(request.label_highest_rate),
    )
    laid = pattern_of(request)
    outline = _corners(request.outline, ("outline",))
    holes = [_corners(hole, ("holes", number)) for number, hole in enumerate(request.holes)]
    with as_requested():
        found = mathematics.coverage(
            laid,
            outline=outline,
            holes=holes,
            rate=request.rate.si,
            pass_spacing=request.pass_spacing.si,
            driving=request.driving,
            edge_passes=request.edge_passes,
            headlands=request.headlands,
            side=request.side,
            **options,
        )
    return _answer(request, found, Telling(system))


def _corners(ring: Ring | Hole, where: tuple[str | int, ...]) -> FloatArray:
    x, y = array(ring.x), array(ring.y)
    if len(x) != len(y):
        message, allowed = f"{len(x)} x for {len(y)} y", "one y for each x"
        raise CalibrationError("wrong_length", message, where=(*where, "y"), given=len(y), allowed=allowed)
    return np.column_stack([x, y])


def _answer(request: CoverageRequest, found: mathematics.CoverageAnswer, tell: Telling) -> CoverageAnswer:
    return CoverageAnswer(
        passes=[_line(one, found.origin, tell) for one in found.passes],
        stand_off=tell.maybe(Length, found.stand_off),
        laid_width=tell.maybe(Length, found.laid_width),
        gap=tell.maybe(Length, found.gap),
        pass_length=tell.one(Length, found.pass_length),
        area=tell.one(Area, found.area),
        treated_area=tell.one(Area, found.treated_area),
        material=tell.one(Mass, found.material),
        material_on_target=tell.one(Mass, found.on_target),
        off_target=[_off_target(one, request, found.material, tell) for one in found.off_target],
        mean_rate=tell.one(Rate, found.mean_rate),
        cv=tell.one(Ratio, found.cv),
        relative_max=tell.one(Ratio, found.relative_max),
        under_share=tell.one(Ratio, found.under),
        over_share=tell.one(Ratio, found.over),
        lowest_relative=request.lowest_relative or tell.one(Ratio, LOWEST_RELATIVE),
        highest_relative=request.highest_relative or tell.one(Ratio, HIGHEST_RELATIVE),
        off_target_limit=request.off_target_limit or tell.one(Ratio, OFF_TARGET_LIMIT),
        histogram=RateHistogram(edges=tell.many(Ratios, mathematics.BINS), shares=tell.many(Ratios, found.histogram)),
        cell=tell.one(Length, found.grid.cell),
        grid=_grid(found, tell) if request.grid else None,
        findings=findings(found.findings),
    )


def _line(one: DrivenPass, origin: FloatArray, tell: Telling) -> PassLine:
    x, y = (one.line + origin).T
    return PassLine(
        kind=PassKind(one.kind),
        x=tell.many(Lengths, x),
        y=tell.many(Lengths, y),
        length=tell.one(Length, one.length),
    )


def _off_target(one: mathematics.OffTarget, request: CoverageRequest, material: float, tell: Telling) -> OffTarget:
    name = "outside the outline" if one.hole is None else request.holes[one.hole].name or f"hole {one.hole + 1}"
    return OffTarget(
        hole=one.hole, name=name, mass=tell.one(Mass, one.mass), share=tell.one(Ratio, one.mass / material)
    )


def _grid(found: mathematics.CoverageAnswer, tell: Telling) -> CoverageGrid:
    grid = found.grid
    if grid.rate.size > MAX_GRID:
        enough = grid.cell * (grid.rate.size / MAX_GRID) ** 0.5
        message = f"the grid has {grid.rate.size} cells, and an answer holds {MAX_GRID}"
        allowed = f"a cell of {1.05 * enough:.3g} m or more, or no grid"
        raise CalibrationError("grid_too_large", message, where=("cell",), given=grid.cell, allowed=allowed)
    x, y = grid.low + grid.cell / 2 + found.origin
    return CoverageGrid(
        x=tell.one(Length, x),
        y=tell.one(Length, y),
        cell=tell.one(Length, grid.cell),
        rates=tell.grid(RateGrid, grid.rate),
    )
