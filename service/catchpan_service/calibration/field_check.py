"""Material used in the field against what should have been laid: flow and speed, and driving, told apart."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from .catches import FloatArray
from .check_catch import TOLERANCE
from .errors import CalibrationError
from .findings import Finding
from .limits import together
from .opening import COVERAGE

USED_UNCERTAINTY = 0.01
"""Assumed relative standard uncertainty of the material used: bags and a weighed rest."""

DISTANCE_UNCERTAINTY = 0.01
"""Assumed relative standard uncertainty of the distance driven with open gates."""

AREA_UNCERTAINTY = 0.02
"""Assumed relative standard uncertainty of the area."""

LARGEST = 1e15
"""No amount in SI is larger, nor smaller than its reciprocal."""


@dataclass(frozen=True)
class FieldCheck:
    """Ratios of a field check, broadcast to one shape; see :func:`field_check`.

    Attributes
    ----------
    flow_and_speed, driving, overall : ndarray or None
        Used over what the distance should have taken; ground driven over ground there is; used over what the area
        should have taken. 1 is as wanted, more is heavy. None where distance or area is not known.
    flow_and_speed_interval, driving_interval, overall_interval : tuple of ndarray or None
        95 %.
    correction : ndarray or None
        Factor on flow that the check speaks for, 1 where the first ratio is not sure to differ from 1; None without
        distance.
    findings : tuple of Finding
        Those about one element carry its index as ``where``.
    """

    flow_and_speed: FloatArray | None
    driving: FloatArray | None
    overall: FloatArray | None
    flow_and_speed_interval: tuple[FloatArray, FloatArray] | None
    driving_interval: tuple[FloatArray, FloatArray] | None
    overall_interval: tuple[FloatArray, FloatArray] | None
    correction: FloatArray | None
    findings: tuple[Finding, ...]


def field_check(
    *,
    used: ArrayLike,
    rate: ArrayLike,
    laid_width: ArrayLike | None = None,
    distance: ArrayLike | None = None,
    area: ArrayLike | None = None,
    coverages: ArrayLike = 1,
    tolerance: float = TOLERANCE,
    used_uncertainty: float = USED_UNCERTAINTY,
    distance_uncertainty: float = DISTANCE_UNCERTAINTY,
    area_uncertainty: float = AREA_UNCERTAINTY,
) -> FieldCheck:
    """Compare material used with what should have been laid.

    flow and speed = used / (distance x laid width x rate / coverages); driving = distance x laid width / (coverages x
    area); their product, used / (area x rate), is all that is known without a distance.

    Parameters
    ----------
    used : array_like
        Material used [kg].
    rate : array_like
        Wanted mass per area, over all coverages [kg/m²].
    laid_width : array_like, optional
        Pass spacing, or width of an edge pass [m]; goes with the distance.
    distance : array_like, optional
        Driven with open gates [m].
    area : array_like, optional
        Ground that was to be covered [m²].
    coverages : array_like
        1, or 2 for half the rate in each of two directions.
    tolerance : float
        Share by which a ratio may be off 1 before it is a finding.
    used_uncertainty, distance_uncertainty, area_uncertainty : float
        Relative standard uncertainties.

    Returns
    -------
    FieldCheck

    Raises
    ------
    CalibrationError
        For a value that cannot be, shapes that do not go together, or neither distance nor area.

    Notes
    -----
    Only flow and speed may move a correction: overlapping too much is not mended at the gate. The intervals are
    ratio x exp(-/+ 1.96 u) with u² the sum of the squared relative uncertainties (GUM, 5.1.6).

    Examples
    --------
    >>> check = field_check(used=108.0, rate=0.02, laid_width=3.0, distance=1700.0, area=5000.0)
    >>> round(float(check.flow_and_speed), 3), round(float(check.driving), 3), round(float(check.overall), 3)
    (1.059, 1.02, 1.08)
    """
    if distance is None and area is None:
        _refuse_missing("distance", "distance and laid width, or area, or both")
    if (distance is None) != (laid_width is None):
        _refuse_missing("laid_width" if laid_width is None else "distance", "distance and laid width together")
    _check_uncertainties(
        tolerance=tolerance,
        used_uncertainty=used_uncertainty,
        distance_uncertainty=distance_uncertainty,
        area_uncertainty=area_uncertainty,
    )
    known = _broadcast(used=used, rate=rate, coverages=coverages, laid_width=laid_width, distance=distance, area=area)
    mass, covered = known["used"], known["coverages"]
    flow_and_speed = driving = overall = correction = None
    flow_part = np.hypot(used_uncertainty, distance_uncertainty)
    if distance is not None:
        flow_and_speed = mass * covered / (known["distance"] * known["laid_width"] * known["rate"])
        sure = np.abs(np.log(flow_and_speed)) > reach(flow_part)
        correction = np.where(sure, flow_and_speed, 1.0)
    if area is not None:
        overall = mass / (known["area"] * known["rate"])
    if flow_and_speed is not None and overall is not None:
        driving = overall / flow_and_speed
    driving_part = np.hypot(distance_uncertainty, area_uncertainty)
    overall_part = np.hypot(used_uncertainty, area_uncertainty)
    return FieldCheck(
        flow_and_speed,
        driving,
        overall,
        _interval(flow_and_speed, flow_part),
        _interval(driving, driving_part),
        _interval(overall, overall_part),
        correction,
        (
            *_flow_findings(_off(flow_and_speed, tolerance, flow_part), flow_and_speed),
            *_driving_findings(_off(driving, tolerance, driving_part), driving),
            *(() if driving is not None else _overall_findings(_off(overall, tolerance, overall_part), overall)),
        ),
    )


def _refuse_missing(name: str, allowed: str) -> None:
    raise CalibrationError("field_check_incomplete", f"a field check needs {allowed}", where=(name,), allowed=allowed)


def _check_uncertainties(**shares: float) -> None:
    for name, value in shares.items():
        if not 0.0 <= value < 0.5:
            allowed = "from 0 to below 0.5"
            message = f"{name} is {value!r}; allowed is {allowed}"
            raise CalibrationError(f"bad_{name}", message, where=(name,), given=value, allowed=allowed)


def _broadcast(**values: ArrayLike | None) -> dict[str, FloatArray]:
    columns = {name: np.asarray(value, dtype=np.float64) for name, value in values.items() if value is not None}
    for name, column in columns.items():
        good = (column == 1.0) | (column == 2.0) if name == "coverages" else _sizeable(column)
        _check(name, column, good, "1 or 2" if name == "coverages" else "a finite value above zero")
    return dict(zip(columns, together(**columns), strict=True))


def _sizeable(column: FloatArray) -> NDArray[np.bool_]:
    return np.asarray((column >= 1.0 / LARGEST) & (column <= LARGEST))


def _check(name: str, column: FloatArray, good: NDArray[np.bool_], allowed: str) -> None:
    if column.size == 0:
        message, allowed = f"{name} is empty", "at least one value"
        raise CalibrationError(f"bad_{name}", message, where=(name,), given=0, allowed=allowed)
    if not good.all():
        index = tuple(int(k) for k in np.argwhere(~good)[0])
        given = float(column[index])
        message = f"{name} is {given!r}; allowed is {allowed}"
        raise CalibrationError(f"bad_{name}", message, where=(name, *index), given=given, allowed=allowed)


def reach(uncertainty: float) -> float:
    """How far the logarithm of a ratio may be off, 95 %, by its relative standard uncertainty."""
    return float(ndtri(0.5 + COVERAGE / 2.0)) * uncertainty


def _interval(ratio: FloatArray | None, uncertainty: float) -> tuple[FloatArray, FloatArray] | None:
    if ratio is None:
        return None
    stretch = np.exp(reach(uncertainty))
    return ratio / stretch, ratio * stretch


def _off(ratio: FloatArray | None, tolerance: float, uncertainty: float) -> NDArray[np.intp]:
    """Indices of the ratios that are beyond the tolerance, and sure to differ from 1."""
    if ratio is None:
        return np.empty((0, 0), dtype=np.intp)
    return np.argwhere((np.abs(ratio - 1.0) > tolerance) & (np.abs(np.log(ratio)) > reach(uncertainty)))


def _told(places: NDArray[np.intp], ratio: FloatArray | None) -> Iterator[tuple[tuple[int, ...], float, str]]:
    """Index, size in percent, and heavy or light, of each ratio that is off."""
    for index in places if ratio is not None else ():
        where = tuple(int(k) for k in index)
        percent = 100.0 * (float(ratio[where]) - 1.0)  # type: ignore[index]
        yield where, abs(percent), "heavy" if percent > 0.0 else "light"


def _flow_findings(places: NDArray[np.intp], ratio: FloatArray | None) -> Iterator[Finding]:
    for where, size, side in _told(places, ratio):
        yield Finding(
            "flow_or_speed_off",
            "look",
            f"Laid {size:.2g} % {side} for the distance driven: flow or ground speed is off.",
            "Make check catches at two openings; if they agree with the curve, check the ground speed over a course.",
            where,
        )


def _driving_findings(places: NDArray[np.intp], ratio: FloatArray | None) -> Iterator[Finding]:
    for where, size, side in _told(places, ratio):
        cause = "passes overlap too much" if side == "heavy" else "passes lie too far apart"
        yield Finding(
            "driving_off",
            "look",
            f"The distance is {size:.2g} % too {'long' if side == 'heavy' else 'short'} for the area: {cause}.",
            "Mark the pass spacing on the ground; no correction at the gate mends driving.",
            where,
        )


def _overall_findings(places: NDArray[np.intp], ratio: FloatArray | None) -> Iterator[Finding]:
    for where, size, side in _told(places, ratio):
        yield Finding(
            "laid_off_rate",
            "look",
            f"Laid {size:.2g} % {side}, cause not known.",
            "Note the distance driven with open gates next time: it tells flow from driving.",
            where,
        )
