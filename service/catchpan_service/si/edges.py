"""``compute/edge`` between the wire and the mathematics."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from catchpan.contract.edges import (
    EdgeAnswer,
    EdgeByDriving,
    EdgeDriving,
    EdgeRequest,
    EdgeSeam,
    FirstHeading,
    GapRange,
)
from catchpan.contract.overlaps import Pans
from catchpan.quantities import Length, Lengths, MassPerLength, Ratio, Ratios, System
from catchpan_service.calibration import edge as mathematics
from catchpan_service.calibration.edge_findings import DrivingSeam
from catchpan_service.calibration.edge_limits import HIGHEST_RELATIVE, LOWEST_RELATIVE, OFF_TARGET_LIMIT
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.pattern import Pattern
from catchpan_service.calibration.seam import Seam
from catchpan_service.si.overlaps import pattern_of
from catchpan_service.si.telling import Telling, array, findings, given, scalar

Path = tuple[str | int, ...]


def solve(request: EdgeRequest, system: System) -> EdgeAnswer:
    """The stand-off and the seam, told in a system of units.

    Raises
    ------
    CalibrationError
        Where there are none.
    """
    options = given(
        edge_pattern=edge_pattern_of(request.edge_pans),
        laid_width=scalar(request.laid_width),
        given_stand_off=scalar(request.stand_off),
        distances=None if request.distances is None else array(request.distances),
        off_target_limit=scalar(request.off_target_limit),
        lowest_relative=scalar(request.lowest_relative),
        highest_relative=scalar(request.highest_relative),
        driving=request.driving,
        beyond=request.beyond,
        rate=scalar(request.rate),
        label_highest_rate=scalar(request.label_highest_rate),
    )
    laid, spacing, most = pattern_of(request), request.pass_spacing.si, request.most_edge_passes
    with as_requested():
        found = mathematics.edge(laid, side=request.side, pass_spacing=spacing, most_edge_passes=most, **options)
    return _answer(request, found, Telling(system))


def edge_pattern_of(pans: Pans | None) -> Pattern | None:
    """The pattern of edge passes where it was tested by itself; what is refused stands below ``edge_pans``."""
    if pans is None:
        return None
    try:
        return pattern_of(pans)
    except CalibrationError as error:
        raise _moved(error, ("edge_pans", *error.where)) from error


@contextmanager
def as_requested() -> Iterator[None]:
    """Let refusals of ``edge_pattern`` point at ``edge_pans``."""
    try:
        yield
    except CalibrationError as error:
        raise _moved(error, renamed(error.where)) from error


def renamed(where: Path) -> Path:
    """The path in the request of a path in the computation's arguments."""
    return ("edge_pans", *where[1:]) if where[:1] == ("edge_pattern",) else where


def _moved(error: CalibrationError, where: Path) -> CalibrationError:
    return CalibrationError(error.code, str(error), where=where, given=error.given, allowed=error.allowed)


def _answer(request: EdgeRequest, found: mathematics.EdgeAnswer, tell: Telling) -> EdgeAnswer:
    told = request.distances is not None
    beyond = None
    if request.rate is not None and found.share is not None:
        beyond = tell.one(MassPerLength, request.rate.si * found.laid_width * found.share)
    ways = {way: _driving(one, tell) for way, one in found.by_driving.items()}
    return EdgeAnswer(
        side=request.side,
        smallest_stand_off=tell.maybe(Length, found.own.distance),
        smallest_stand_off_uncertainty=tell.maybe(Length, found.own.uncertainty),
        stand_off=tell.maybe(Length, found.stand_off),
        share_beyond=tell.maybe(Ratio, found.share),
        mass_beyond=beyond,
        distances=tell.many(Lengths, found.distances) if told else None,
        shares=tell.many(Ratios, found.shares) if told else None,
        laid_width=tell.one(Length, found.laid_width),
        overlapped_stand_off=tell.maybe(Length, found.overlapped_stand_off),
        off_target_limit=request.off_target_limit or tell.one(Ratio, OFF_TARGET_LIMIT),
        lowest_relative=request.lowest_relative or tell.one(Ratio, LOWEST_RELATIVE),
        highest_relative=request.highest_relative or tell.one(Ratio, HIGHEST_RELATIVE),
        by_driving=EdgeByDriving(**ways),
        findings=findings(replace(one, where=renamed(one.where)) for one in found.findings),
    )


def _driving(one: DrivingSeam, tell: Telling) -> EdgeDriving:
    return EdgeDriving(
        seam=None if one.seam is None else _seam(one.seam, tell),
        overlapped_min=tell.one(Ratio, one.overlapped_min),
        overlapped_max=tell.one(Ratio, one.overlapped_max),
    )


def _seam(one: Seam, tell: Telling) -> EdgeSeam:
    gaps = None
    if one.gap_range is not None:
        low, high = one.gap_range
        gaps = GapRange(lowest=tell.one(Length, low), highest=tell.one(Length, high))
    return EdgeSeam(
        edge_passes=one.edge_passes,
        gap=tell.one(Length, one.gap),
        gap_range=gaps,
        first_overlapped=tell.one(Length, one.first_overlapped),
        first_heading=FirstHeading(one.first_heading),
        within_limits=one.within,
        relative_min=tell.one(Ratio, one.relative_min),
        relative_max=tell.one(Ratio, one.relative_max),
        light_strip=tell.one(Length, one.light_strip),
    )
