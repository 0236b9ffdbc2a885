"""``compute/overlap`` between the wire and the mathematics."""

from dataclasses import dataclass
from itertools import repeat
from typing import Any

import numpy as np

from catchpan.contract.overlaps import (
    Adjustment,
    ByDriving,
    DrivingAnswer,
    OverlapAnswer,
    OverlapRequest,
    Pans,
    PatternAnswer,
    SpacingInterval,
    SpacingRange,
)
from catchpan.quantities import Length, Lengths, MassPerLength, Rates, Ratio, Ratios, Rotation, System
from catchpan_service.calibration import overlap as mathematics
from catchpan_service.calibration import pan_conditions
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.findings import Finding
from catchpan_service.calibration.pattern import Pattern, pattern
from catchpan_service.si.telling import Telling, array, findings, given, scalar


def solve(request: OverlapRequest, system: System) -> OverlapAnswer:
    """The answer to a pan test, told in a system of units.

    Raises
    ------
    CalibrationError
        Where the test cannot be computed.
    """
    laid = pattern_of(request)
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
    found = mathematics.overlap(laid, **options)
    return _answer(laid, found, _around(laid, found, request), request, Telling(system))


def pattern_of(pans: Pans) -> Pattern:
    """The pattern of weighed rows of pans; CalibrationError where there is none."""
    positions = array(pans.positions)
    rows = [array(row.masses) for row in pans.rows]
    for number, row in enumerate(rows):
        if len(row) != len(positions):
            message = f"row {number + 1} has {len(row)} masses for {len(positions)} positions"
            where, allowed = ("rows", number, "masses"), f"{len(positions)} masses, null for a pan that is not there"
            raise CalibrationError("wrong_length", message, where=where, given=len(row), allowed=allowed)
    return pattern(
        positions=positions,
        masses=np.array(rows),
        passes=[row.passes for row in pans.rows],
        headings=[row.heading for row in pans.rows],
        pan_area=pans.pan_area.si,
        pan_tare=scalar(pans.pan_tare) or 0.0,
    )


@dataclass(frozen=True)
class _Around:
    """What stands around the test, and what to change after it."""

    adjust: pan_conditions.Adjustment
    recovered: float | None
    findings: tuple[Finding, ...]


def _around(laid: Pattern, found: mathematics.OverlapAnswer, request: OverlapRequest) -> _Around:
    recovered = pan_conditions.recovered_share(found.shape, flow=scalar(request.flow), speed=scalar(request.speed))
    suited = [one.recommended_spacing for one in found.by_driving.values() if one.recommended_spacing is not None]
    adjust = pan_conditions.adjustment(
        laid,
        found.shape,
        spacing=min(suited, default=found.shape.half_rate_width),
        wanted_spacing=scalar(request.wanted_spacing),
        impeller_speed=scalar(request.impeller_speed),
    )
    told = pan_conditions.condition_findings(
        laid, found.shape, wind=scalar(request.wind), recovered=recovered, adjust=adjust
    )
    return _Around(adjust, recovered, told)


def _answer(
    laid: Pattern, found: mathematics.OverlapAnswer, around: _Around, request: OverlapRequest, tell: Telling
) -> OverlapAnswer:
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
        findings=findings((*found.findings, *around.findings)),
        adjustment=_adjustment(around.adjust, tell),
        recovered=tell.maybe(Ratio, around.recovered),
    )


BASIS = (
    "shift: what brings the centroid of the pattern to the middle of the pass; impeller factor: the pattern is taken to"
    " grow as wide as its throw, and throw as speed to the power 0.8 (0.4 to 1.2)"
)


def _adjustment(own: pan_conditions.Adjustment, tell: Telling) -> Adjustment:
    return Adjustment(
        shift=tell.one(Length, own.shift),
        shift_uncertainty=tell.maybe(Length, own.shift_uncertainty),
        impeller_factor=tell.maybe(Ratio, own.impeller_factor),
        impeller_factor_low=tell.maybe(Ratio, own.impeller_factor_low),
        impeller_factor_high=tell.maybe(Ratio, own.impeller_factor_high),
        impeller_speed=tell.maybe(Rotation, own.impeller_speed),
        basis=BASIS,
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
        cv_low=None if one.bounds is None else tell.many(Ratios, one.bounds.low),
        cv_high=None if one.bounds is None else tell.many(Ratios, one.bounds.high),
        widest_interval=None if one.bounds is None else _interval(one.widest_interval, tell),
        recommended_interval=None if one.bounds is None else _interval(one.recommended_interval, tell),
    )


def _interval(ends: tuple[float | None, float | None], tell: Telling) -> SpacingInterval:
    low, high = ends
    return SpacingInterval(low=tell.maybe(Length, low), high=tell.maybe(Length, high))


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
