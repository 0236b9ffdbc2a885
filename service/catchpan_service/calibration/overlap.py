"""From the pattern of one pass to pass spacings: how even passes lie together, and which to drive."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.findings import Finding
from catchpan_service.calibration.overlap_findings import overlap_findings
from catchpan_service.calibration.overlap_interval import Bounds, bounded, cv_bounds
from catchpan_service.calibration.pattern import FloatArray, Pattern, Shape, shape
from catchpan_service.calibration.spacing_ranges import SEARCH_FLOOR_SHARE, Search, joined, search
from catchpan_service.calibration.stations import station_field, station_steps, stations
from catchpan_service.calibration.superposition import (
    DRIVINGS,
    Driving,
    Evenness,
    IntArray,
    superpose,
)

Evaluation = Literal["continuous", "stations"]
Deviation = Literal["population", "sample"]

CV_LIMIT = 0.15
"""Largest CV that counts as even, for nitrogen (Ravensdown note on the NZ certification scheme, 2014)."""

DRIVING_TOLERANCE = 0.2286
"""[m], 0.75 ft: how closely a crew holds a pass spacing (common practice)."""

SMALLEST_SPACING_SHARE = 0.01
"""Smallest spacing that is computed, over the row's width: no crew drives a hundred passes over one spot."""

LARGEST_SPACING_SHARE = 1000.0
"""Largest spacing that is computed, over the row's width: passes have long stopped meeting."""

LEAST_CV_TIE = 1e-6
"""CVs closer than this are alike, and the widest spacing of them is named."""


@dataclass(frozen=True)
class DrivingAnswer:
    """What one way of driving gives; arrays (k,) by spacing.

    Attributes
    ----------
    cv, relative_min, relative_max : FloatArray
        Standard deviation, smallest and largest rate of the overlapped field, each over its mean.
    spacing_ranges : tuple of (float, float)
        [m], all intervals of spacing within the CV limit, ascending.
    widest_spacing : float or None
        [m], the widest spacing that stays within one range when it is missed by the driving tolerance.
    recommended_spacing : float or None
        [m], the widest such spacing that is not above half the throw (common practice: crews throw back to
        the middle of the last pass), for both ways of driving.
    recommended : Evenness or None
        The overlapped field at the recommended spacing, continuous, one value in each array.
    least_cv_spacing : float or None
        [m], where CV is least between half the half-rate width and all of it, of the spacings that the
        search looked at; for information. None where there is none.
    bounds : Bounds or None
        Where CV lies at each spacing, 95 %, noise taken off; None with one row, and at stations.
    widest_interval, recommended_interval : (float or None, float or None)
        [m], the spacing at which the limit is surely kept, and the one at which it may be kept, 95 %; None for an
        end at which no spacing does, or where nothing is known of the noise. Noise makes passes look uneven, so
        that with noisy pans the spacing itself may lie below its interval.
    """

    cv: FloatArray
    relative_min: FloatArray
    relative_max: FloatArray
    spacing_ranges: tuple[tuple[float, float], ...]
    widest_spacing: float | None
    recommended_spacing: float | None
    recommended: Evenness | None
    least_cv_spacing: float | None
    bounds: Bounds | None = None
    widest_interval: tuple[float | None, float | None] = (None, None)
    recommended_interval: tuple[float | None, float | None] = (None, None)


@dataclass(frozen=True)
class OverlapAnswer:
    """The answer for one pattern.

    Attributes
    ----------
    spacings : FloatArray
        (k,) [m].
    mean_rate : FloatArray
        (k,) [kg/m2], what overlapping passes lay on average.
    evaluation, deviation : str
        How CV was taken.
    n : dict of str to IntArray, or None
        Stations in one period, (k,) by way of driving; None for the continuous evaluation.
    by_driving : dict of str to DrivingAnswer
        For each way of driving that was asked for.
    shape : Shape
        Measures of the pattern itself.
    findings : tuple of Finding
        What a person should look at.
    """

    spacings: FloatArray
    mean_rate: FloatArray
    evaluation: Evaluation
    deviation: Deviation
    n: dict[Driving, IntArray] | None
    by_driving: dict[Driving, DrivingAnswer]
    shape: Shape
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class _Rule:
    """How CV is taken, and what a spacing must keep to."""

    evaluation: Evaluation
    deviation: Deviation
    cv_limit: float
    tolerance: float


def overlap(
    pattern: Pattern,
    *,
    spacings: FloatArray | None = None,
    driving: Sequence[Driving] = DRIVINGS,
    cv_limit: float = CV_LIMIT,
    evaluation: Evaluation = "continuous",
    deviation: Deviation | None = None,
    driving_tolerance: float = DRIVING_TOLERANCE,
    rate: float | None = None,
    label_highest_rate: float | None = None,
) -> OverlapAnswer:
    """Lay passes of one pattern side by side, and find the spacings at which they are even enough.

    Parameters
    ----------
    pattern : Pattern
        From a pan test.
    spacings : FloatArray, optional
        (k,) [m]; by default half pan steps, at stations whole ones, from two steps to the width of the row.
    driving : sequence of str
        Any of ``one_way`` (round and round) and ``back_and_forth``.
    cv_limit : float
        Largest CV that counts as even, above 0 and below 1.
    evaluation : str
        ``continuous``: over all ground, the pattern straight between pans. ``stations``: at the pans'
        places only, at spacings of whole pan steps; ranges then run from the first to the last step within
        the limit.
    deviation : str, optional
        ``population`` (default and only choice when continuous) or ``sample`` (default at stations).
    driving_tolerance : float
        [m], by how much a crew may miss the spacing.
    rate, label_highest_rate : float, optional
        [kg/m2], the mean rate that is wanted and the most that the label allows.

    Raises
    ------
    CalibrationError
        For settings that cannot be computed.

    Examples
    --------
    >>> rate = np.array([0.0, 0.02, 0.0])
    >>> laid = Pattern(np.array([-3.0, 0.0, 3.0]), rate, None, 1, rate[None])
    >>> answer = overlap(laid, spacings=np.array([3.0, 4.5]))
    >>> [float(round(cv, 9)) for cv in answer.by_driving["one_way"].cv]
    [0.0, 0.25]
    """
    rule = _Rule(
        evaluation,
        deviation or ("population" if evaluation == "continuous" else "sample"),
        cv_limit,
        driving_tolerance,
    )
    _check(rule, driving, rate, label_highest_rate)
    spacings = _default_spacings(pattern, rule) if spacings is None else np.asarray(spacings, dtype=np.float64)
    _check_spacings(spacings, float(np.ptp(pattern.position)))
    measures = shape(pattern)
    by_driving = {way: _answer(pattern, measures, spacings, way, rule) for way in driving}
    largest: dict[str, float | None] = {
        way: float(found.recommended.relative_max[0]) if found.recommended else None
        for way, found in by_driving.items()
    }
    return OverlapAnswer(
        spacings,
        measures.mass_per_length / spacings,
        rule.evaluation,
        rule.deviation,
        _station_counts(pattern, spacings, driving) if evaluation == "stations" else None,
        by_driving,
        measures,
        overlap_findings(pattern, measures, largest, rate, label_highest_rate),
    )


def _answer(pattern: Pattern, measures: Shape, spacings: FloatArray, driving: Driving, rule: _Rule) -> DrivingAnswer:
    even = _evenness(pattern, spacings, driving, rule)
    found = _search(pattern, driving, rule)
    half_throw = (measures.throw_left + measures.throw_right) / 2
    widest = _widest(found.ranges, rule.tolerance, np.inf)
    recommended = _widest(found.ranges, rule.tolerance, half_throw)
    continuous = rule.evaluation == "continuous"
    grid = bounded(pattern, driving, rule.cv_limit) if continuous else None
    return DrivingAnswer(
        even.cv,
        even.relative_min,
        even.relative_max,
        found.ranges,
        widest,
        recommended,
        None if recommended is None else _folded(pattern, np.array([recommended]), driving),
        _least_cv(found, measures.half_rate_width),
        cv_bounds(pattern, spacings=spacings, driving=driving) if continuous else None,
        _interval(grid, rule, np.inf),
        _interval(grid, rule, half_throw),
    )


def _interval(grid: Bounds | None, rule: _Rule, cap: float) -> tuple[float | None, float | None]:
    """Return the widest spacing that surely stays within the limit, and the widest that may."""
    if grid is None:
        return None, None
    sure, possible = (grid.ranges(rule.cv_limit, sure=sure) for sure in (True, False))
    return _widest(sure, rule.tolerance, cap), _widest(possible, rule.tolerance, cap)


def _widest(ranges: tuple[tuple[float, float], ...], tolerance: float, cap: float) -> float | None:
    """Return the widest spacing up to a cap that may be missed by the tolerance either way."""
    best = [(low + tolerance, min(high - tolerance, cap)) for low, high in ranges]
    return max((high for low, high in best if low <= high), default=None)


def _least_cv(found: Search, half_rate_width: float | None) -> float | None:
    """Return the spacing of least CV in the window, of equal ones the widest."""
    width = half_rate_width or 0.0
    window = (found.spacings >= width / 2) & (found.spacings <= width * (1 + 1e-9))
    if not window.any():
        return None
    spacings, cv = found.spacings[window], found.cv[window]
    return float(spacings[cv <= cv.min() + LEAST_CV_TIE].max())


def _evenness(pattern: Pattern, spacings: FloatArray, driving: Driving, rule: _Rule) -> Evenness:
    if rule.evaluation == "continuous":
        return _folded(pattern, spacings, driving)
    fields = [station_field(pattern=pattern, spacing=spacing, driving=driving) for spacing in spacings.tolist()]
    ddof = 1 if rule.deviation == "sample" else 0
    for place in (place for place, field in enumerate(fields) if len(field) <= ddof):
        message = f"Spacing {place + 1} leaves one station in a period, and a sample of one has no deviation."
        raise _error("too_few_stations", message, ("spacings", place), spacings[place], "two pan steps or more")
    relative = [field / field.mean() for field in fields]
    rows = [(field.std(ddof=ddof), field.min(), field.max()) for field in relative]
    return Evenness(*np.array(rows).T)


def _folded(pattern: Pattern, spacings: FloatArray, driving: Driving) -> Evenness:
    return superpose(positions=pattern.position, rate=pattern.rate, spacings=spacings, driving=driving)


def _search(pattern: Pattern, driving: Driving, rule: _Rule) -> Search:
    if rule.evaluation == "continuous":
        return search(pattern, driving, rule.cv_limit)
    spacings = _default_spacings(pattern, rule)
    cv = _evenness(pattern, spacings, driving, rule).cv
    return Search(joined(spacings, spacings, cv <= rule.cv_limit), spacings, cv)


def _default_spacings(pattern: Pattern, rule: _Rule) -> FloatArray:
    """Return half pan steps, or at stations whole ones, from the search's floor to the row's width."""
    steps = len(pattern.position) - 1
    parts = 2 if rule.evaluation == "continuous" else 1
    first = max(2, int(np.ceil(SEARCH_FLOOR_SHARE * steps)))
    step = np.ptp(pattern.position) / (parts * steps)
    return np.asarray(step * np.arange(first * parts, parts * steps + 1), dtype=np.float64)


def _station_counts(pattern: Pattern, spacings: FloatArray, driving: Sequence[Driving]) -> dict[Driving, IntArray]:
    steps = station_steps(spacings, stations(pattern.position)[1])
    return {way: steps * (2 if way == "back_and_forth" else 1) for way in driving}


def _check(rule: _Rule, driving: Sequence[Driving], rate: float | None, label_highest_rate: float | None) -> None:
    if not 0 < rule.cv_limit < 1:
        raise _error(
            "bad_cv_limit",
            "The CV limit is no share.",
            ("cv_limit",),
            rule.cv_limit,
            "above 0 %, below 100 %",
        )
    if not 0 <= rule.tolerance < np.inf:
        message = "The driving tolerance is below zero or no number."
        raise _error("bad_driving_tolerance", message, ("driving_tolerance",), rule.tolerance, "0 or above")
    if rule.evaluation == "continuous" and rule.deviation == "sample":
        message = "The continuous evaluation takes all ground, which is no sample."
        raise _error("sample_of_all_ground", message, ("deviation",), rule.deviation, "population, or stations")
    if not driving or set(driving) - set(DRIVINGS):
        message = "The way of driving is not known."
        raise _error("bad_driving", message, ("driving",), driving, "one_way, back_and_forth or both")
    for name, value in (("rate", rate), ("label_highest_rate", label_highest_rate)):
        if value is not None and not 0 < value < np.inf:
            message = f"The {name.replace('_', ' ')} must be above zero."
            raise _error("bad_rate", message, (name,), value, "above 0")


def _check_spacings(spacings: FloatArray, width: float) -> None:
    if spacings.ndim != 1 or not len(spacings):
        raise _error("no_spacings", "No spacing was given.", ("spacings",), spacings.shape, "one spacing or more")
    smallest, largest = SMALLEST_SPACING_SHARE * width, LARGEST_SPACING_SHARE * width
    for place in np.flatnonzero(~((spacings >= smallest) & (spacings <= largest))):
        message = f"Spacing {place + 1} is no distance between passes."
        allowed = f"{SMALLEST_SPACING_SHARE:.0%} of the row's width or more, at most {LARGEST_SPACING_SHARE:g} times it"
        raise _error("bad_spacing", message, ("spacings", int(place)), spacings[place], allowed)


def _error(code: str, message: str, where: tuple[str | int, ...], given: object, allowed: str) -> CalibrationError:
    plain = given.item() if isinstance(given, np.generic) else given
    return CalibrationError(code, message, where=where, given=plain, allowed=allowed)
