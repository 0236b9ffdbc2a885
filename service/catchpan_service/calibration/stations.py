"""Overlapping passes at the pans' places only: sums that anyone can add up by hand."""

import numpy as np

from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.pattern import FloatArray, Pattern
from catchpan_service.calibration.superposition import Driving, IntArray

MOST_STEPS = 10_000
"""Pan steps of a spacing whose stations are gone through: no pass is as wide."""


def station_field(*, pattern: Pattern, spacing: float, driving: Driving) -> FloatArray:
    """Return the sum of passes at each station of one period, from the middle of a pass rightwards.

    Parameters
    ----------
    pattern : Pattern
        On evenly spaced pans, the middle on a pan or midway between two.
    spacing : float
        [m], whole pan steps.
    driving : str
        ``one_way`` (n = spacing / step) or ``back_and_forth`` (n = 2 spacing / step).

    Returns
    -------
    FloatArray
        (n,) [kg/m2].

    Raises
    ------
    CalibrationError
        Where the pans or the spacing do not fall on stations.
    """
    first, step = stations(pattern.position)
    steps = station_steps(np.array([spacing]), step)[0]
    place = np.arange(len(pattern.rate)) + int(np.floor(first))
    if driving == "one_way":
        return np.bincount(place % steps, pattern.rate, minlength=steps).astype(np.float64)
    # A pass the other way at `steps` lays at steps - x; midway between pans, x is place + 1/2.
    mirrored = steps - place - int(2 * (first % 1))
    both = np.concatenate([place, mirrored]) % (2 * steps)
    return np.bincount(both, np.tile(pattern.rate, 2), minlength=2 * steps).astype(np.float64)


def stations(positions: FloatArray) -> tuple[float, float]:
    """Return the first pan's place in steps from the middle (whole or half) and the step [m], or refuse."""
    gaps = np.diff(positions)
    step = float(np.ptp(positions) / len(gaps))
    uneven = np.abs(gaps / step - 1) > 1e-6
    if uneven.any():
        pan = int(np.argmax(uneven)) + 1
        message = f"Stations need evenly spaced pans, and pan {pan + 1} is off."
        allowed = "evenly spaced pans, or the continuous evaluation"
        raise CalibrationError(
            "pans_not_even", message, where=("positions", pan), given=float(positions[pan]), allowed=allowed
        )
    halves = 2 * positions[0] / step
    if abs(halves - round(halves)) > 1e-5:
        message = "Stations need the middle of the pass on a pan or midway between two."
        allowed = "position 0 on a pan or midway between two, or the continuous evaluation"
        raise CalibrationError(
            "middle_off_stations", message, where=("positions",), given=float(positions[0]), allowed=allowed
        )
    return round(halves) / 2, step


def station_steps(spacings: FloatArray, step: float) -> IntArray:
    """Return each spacing in whole pan steps, or refuse the first that is not."""
    steps = np.rint(np.minimum(spacings / step, MOST_STEPS + 1))
    for place in np.flatnonzero(steps > MOST_STEPS):
        message = f"Spacing {place + 1} is too wide to go through every station of it."
        where, allowed = ("spacings", int(place)), f"at most {MOST_STEPS} pan steps, or the continuous evaluation"
        raise CalibrationError("bad_spacing", message, where=where, given=float(spacings[place]), allowed=allowed)
    for place in np.flatnonzero((np.abs(spacings / step - steps) > 1e-6) | (steps < 1)):
        message = f"Spacing {place + 1} is not a whole number of pan steps, so that stations do not meet."
        allowed = "whole multiples of the gap between pans, or the continuous evaluation"
        where = ("spacings", int(place))
        raise CalibrationError(
            "spacing_off_stations", message, where=where, given=float(spacings[place]), allowed=allowed
        )
    return steps.astype(np.intp)
