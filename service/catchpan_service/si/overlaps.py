"""``compute/overlap`` between the wire and the mathematics."""

from itertools import repeat
from typing import Any

import numpy as np

from catchpan.contract.overlaps import (
    ByDriving,
    DrivingAnswer,
    OverlapAnswer,
    OverlapRequest,
    PatternAnswer,
    SpacingRange,
)
from catchpan.quantities import Length, Lengths, MassPerLength, Rates, Ratio, Ratios, System
from catchpan_service.calibration import overlap as mathematics
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.pattern import Pattern, pattern
from catchpan_service.si.telling import Telling, array, findings, given, scalar


def solve(request: OverlapRequest, system: System) -> OverlapAnswer:
    """The answer to a pan test, told in a system of units.

    Raises
    ------
    CalibrationError
        Where the test cannot be computed.
    """
    laid = _pattern(request)
    options = given(
        spacings=None if request.spacings is None else array(request.spacings),
        driving=request.driving,
        cv_limit=scalar(request.cv_limit),
        evaluation=request.evaluation,
        deviation=request.deviation,
        driving_tolerance=scalar(request.driving_tolerance),
        rate=scalar(request.rate),
        label_highest_rate=scalar(request.label_highest_rate),
    )
    return _answer(laid, mathematics.overlap(laid, **options), request, Telling(system))


def _pattern(request: OverlapRequest) -> Pattern:
    positions = array(request.positions)
    rows = [array(row.masses) for row in request.rows]
    for number, row in enumerate(rows):
        if len(row) != len(positions):
            message = f"row {number + 1} has {len(row)} masses for {len(positions)} positions"
            where, allowed = ("rows", number, "masses"), f"{len(positions)} masses, null for a pan that is not there"
            raise CalibrationError("wrong_length", message, where=where, given=len(row), allowed=allowed)
    return pattern(
        positions=positions,
        masses=np.array(rows),
        passes=[row.passes for row in request.rows],
        headings=[row.heading for row in request.rows],
        pan_area=request.pan_area.si,
        pan_tare=scalar(request.pan_tare) or 0.0,
    )


def _answer(laid: Pattern, found: mathematics.OverlapAnswer, request: OverlapRequest, tell: Telling) -> OverlapAnswer:
    counts: Any = found.n or {}
    ways = {way: _driving(one, counts.get(way), tell) for way, one in found.by_driving.items()}
    return OverlapAnswer(
        spacings=request.spacings or tell.many(Lengths, found.spacings),
        by_driving=ByDriving(**ways),
        pattern=_shape(laid, found, tell),
        evaluation=found.evaluation,
        deviation=found.deviation,
        cv_limit=request.cv_limit or tell.one(Ratio, mathematics.CV_LIMIT),
        driving_tolerance=request.driving_tolerance or tell.one(Length, mathematics.DRIVING_TOLERANCE),
        findings=findings(found.findings),
    )


def _driving(one: mathematics.DrivingAnswer, counts: Any, tell: Telling) -> DrivingAnswer:
    return DrivingAnswer(
        cv=tell.many(Ratios, one.cv),
        relative_min=tell.many(Ratios, one.relative_min),
        relative_max=tell.many(Ratios, one.relative_max),
        n=[None if n is None else int(n) for n in (repeat(None, len(one.cv)) if counts is None else counts)],
        spacing_ranges=[
            SpacingRange(lowest=tell.one(Length, low), highest=tell.one(Length, high))
            for low, high in one.spacing_ranges
        ],
        widest_spacing=tell.maybe(Length, one.widest_spacing),
        recommended_spacing=tell.maybe(Length, one.recommended_spacing),
        recommended_cv=None if one.recommended is None else tell.one(Ratio, one.recommended.cv[0]),
        least_cv_spacing=tell.maybe(Length, one.least_cv_spacing),
    )


def _shape(laid: Pattern, found: mathematics.OverlapAnswer, tell: Telling) -> PatternAnswer:
    measures = found.shape
    return PatternAnswer(
        positions=tell.many(Lengths, laid.position),
        rate=tell.many(Rates, laid.rate),
        mass_per_length=tell.one(MassPerLength, measures.mass_per_length),
        mean_rate=tell.many(Rates, found.mean_rate),
        left_share=tell.one(Ratio, measures.left_share),
        centre_offset=tell.one(Length, measures.centre_offset),
        half_rate_width=tell.maybe(Length, measures.half_rate_width),
        half_rate_left=tell.maybe(Length, measures.half_rate_left),
        half_rate_right=tell.maybe(Length, measures.half_rate_right),
        throw_left=tell.one(Length, measures.throw_left),
        throw_right=tell.one(Length, measures.throw_right),
    )
