"""What stood around a pan test, and what to change after it: wind, bounce, the length of the row, adjustment."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.findings import Finding
from catchpan_service.calibration.limits import limited
from catchpan_service.calibration.pattern import Pattern, Shape, trapezoid_weights
from catchpan_service.calibration.throw import EXPONENT, EXPONENT_UNCERTAINTY

WIND_LOOK = 5 * 0.44704
"""[m/s], 5 mph: spread in less wind (Southeast Farm Press, spinner-spreader article)."""

WIND_STOP = 10 * 0.44704
"""[m/s], 10 mph: the most for a test (Univ. of Georgia, precisionagirrigation.extension.uga.edu/?p=1193)."""

RECOVERY_LOOK = 0.15
"""Recovered share further from 1 than this is looked at (a judgement). Particles bounce into and out of trays on hard
ground ("Spreader patterns using ASAE S341.2 ...", abstract), and pans never set the rate."""

RECOVERY_STOP = 0.5
"""Further than this the pans, the flow or the speed are wrong (a judgement)."""

SHORTEST_ROW = 1.5
"""Length of the row over the expected swath, at least (Ohio State Univ. Extension, Bulletin 817-00)."""

OFF_MIDDLE_SHARE = 0.02
"""Shift over the half-rate width below which no one can adjust it (a judgement)."""

ROUNDING = 1e-9
"""A limit that is met to rounding is met."""


@dataclass(frozen=True)
class Adjustment:
    """What would make the pattern even left and right, and fit a wanted spacing: an estimate, to be tested again.

    Attributes
    ----------
    shift : float
        [m], how far the middle of the material has to move, positive to the right.
    shift_uncertainty : float or None
        [m], standard uncertainty from the scatter of pans; None with one row.
    impeller_factor, impeller_factor_low, impeller_factor_high : float or None
        What to multiply the impeller speed by for the wanted spacing, and the range that the growth of throw with
        speed leaves open; None where no spacing is wanted or none is known.
    impeller_speed : float or None
        [1/s], the speed now times the factor.
    """

    shift: float
    shift_uncertainty: float | None
    impeller_factor: float | None
    impeller_factor_low: float | None
    impeller_factor_high: float | None
    impeller_speed: float | None


def adjustment(
    pattern: Pattern,
    measures: Shape,
    *,
    spacing: float | None,
    wanted_spacing: float | None = None,
    impeller_speed: float | None = None,
) -> Adjustment:
    """Return which way and how far to adjust.

    Sideways: the pattern is even left and right when its centroid lies in the middle. Impeller speed: if the pattern
    only grows wider, every spacing grows with its throw, and throw as speed to a power; so the factor is
    ``(wanted / spacing) ^ (1 / exponent)``. The exponent is the one assumed of throw, 0.8, and for the range two
    standard uncertainties either way.

    Parameters
    ----------
    pattern : Pattern
    measures : Shape
    spacing : float or None
        [m], the spacing that suits the pattern now.
    wanted_spacing : float, optional
        [m].
    impeller_speed : float, optional
        [1/s], now.

    Raises
    ------
    CalibrationError
        For a wanted spacing or a speed that is none.
    """
    if wanted_spacing is not None:
        limited("wanted_spacing", wanted_spacing, 0.1, 200.0, "0.1 to 200 m")
    if impeller_speed is not None:
        limited("impeller_speed", impeller_speed, 1e-3, 100.0, "above zero and below 6000 rpm")
    shift, sure = -measures.centre_offset, _offset_uncertainty(pattern, measures)
    if wanted_spacing is None or spacing is None:
        return Adjustment(shift, sure, None, None, None, None)
    exponents = (EXPONENT, EXPONENT - 2 * EXPONENT_UNCERTAINTY, EXPONENT + 2 * EXPONENT_UNCERTAINTY)
    factor, *ends = ((wanted_spacing / spacing) ** (1 / exponent) for exponent in exponents)
    new = None if impeller_speed is None else impeller_speed * factor
    return Adjustment(shift, sure, factor, min(ends), max(ends), new)


def _offset_uncertainty(pattern: Pattern, measures: Shape) -> float | None:
    """Standard uncertainty of the centroid, ``sum x f / sum f`` with the weights of the trapezoid rule."""
    if pattern.noise is None:
        return None
    share = trapezoid_weights(pattern.position) * pattern.rate / measures.mass_per_length
    lever = share * (pattern.position - measures.centre_offset)
    return float(pattern.noise * math.sqrt((lever**2).sum() / pattern.rows))


def recovered_share(measures: Shape, *, flow: float | None, speed: float | None) -> float | None:
    """Return the mass that the pans show over the mass that was spread, None where that is not known.

    Parameters
    ----------
    measures : Shape
    flow, speed : float or None
        [kg/s] and [m/s] during the test: both or neither.

    Raises
    ------
    CalibrationError
        For one without the other, or a value that is not above zero.
    """
    if flow is None and speed is None:
        return None
    if flow is None or speed is None:
        missing = "flow" if flow is None else "speed"
        message = "flow and speed are needed together"
        raise CalibrationError("flow_or_speed_missing", message, where=(missing,), allowed="both, or neither")
    limited("flow", flow, 1e-6, 1e3, "above zero")
    limited("speed", speed, 1e-3, 1e2, "above zero")
    return measures.mass_per_length * speed / flow


def condition_findings(
    pattern: Pattern, measures: Shape, *, wind: float | None, recovered: float | None, adjust: Adjustment
) -> tuple[Finding, ...]:
    """Return what a person should look at around a pan test.

    Parameters
    ----------
    pattern : Pattern
    measures : Shape
    wind : float or None
        [m/s].
    recovered : float or None
        Of :func:`recovered_share`.
    adjust : Adjustment
        Of :func:`adjustment`.
    """
    if wind is not None:
        limited("wind", wind, 0.0, 60.0, "0 or above")
    return (
        *_wind(wind),
        *_recovered(recovered),
        *_row_length(pattern, measures),
        *_off_middle(adjust, measures.half_rate_width),
    )


def _wind(wind: float | None) -> Iterator[Finding]:
    if wind is None or wind <= WIND_LOOK * (1 + ROUNDING):
        return
    severity = "stop" if wind > WIND_STOP * (1 + ROUNDING) else "look"
    what = (
        "It was too windy for a pan test." if severity == "stop" else "It was windy: wind shifts and skews a pattern."
    )
    yield Finding("windy", severity, what, "Test again in calmer air, driving with or against the wind.", ("wind",))


def _recovered(share: float | None) -> Iterator[Finding]:
    if share is None or abs(share - 1) <= RECOVERY_LOOK:
        return
    severity = "stop" if abs(share - 1) > RECOVERY_STOP else "look"
    cause = "granules bounce out, or fly beyond the row" if share < 1 else "granules bounce or slide in"
    what = f"The pans show {share:.0%} of what was spread: {cause}, or flow, speed or pan area is not right."
    advice = "Put dividers or a soft bottom into the pans, check flow and speed, and never take the rate from pans."
    yield Finding("recovery_off", severity, what, advice)


def _row_length(pattern: Pattern, measures: Shape) -> Iterator[Finding]:
    """Tell of a row that ends in the throw and is shorter than the rule wants."""
    width, length = measures.half_rate_width, float(np.ptp(pattern.position))
    if width is None or length >= SHORTEST_ROW * width * (1 - ROUNDING) or not pattern.rate[[0, -1]].any():
        return
    what = f"The row is {length / width:.2g} times as long as the half-rate width; {SHORTEST_ROW:g} are wanted."
    advice = "Lengthen the row on both sides, and drive it again."
    yield Finding("row_too_short", "look", what, advice, ("positions",))


def _off_middle(adjust: Adjustment, width: float | None) -> Iterator[Finding]:
    """Tell which way to adjust where the scatter of pans cannot explain it."""
    sure = adjust.shift_uncertainty
    if sure is None or width is None or abs(adjust.shift) <= max(2 * sure, OFF_MIDDLE_SHARE * width):
        return
    way, other = ("right", "left") if adjust.shift > 0 else ("left", "right")
    what = f"The material lies too far to the {other}, by more than pans scatter."
    advice = f"Turn the pattern adjustment so that it moves to the {way} by the shift that is given, and test again."
    yield Finding("pattern_off_middle", "note", what, advice)
