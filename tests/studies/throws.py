"""How fast does throw grow with impeller speed? The exponent that flight gives, where nobody paced it.

A granule leaves a disc of 0.36 m, half a metre above the ground, level or 10 degrees upwards. The exponent is the
slope of ln throw over ln speed about the speed that throws it so far. Where no speed throws a granule so far there is none.
"""

import math

import numpy as np

from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.flight import first_speed

DISC = {"disc_diameter": 0.36, "release_height": 0.5, "particle_density": 1300.0}
SIZES = (0.001, 0.0015, 0.002, 0.003, 0.004)
THROWS = (3.0, 4.5, 6.0, 9.0, 12.0)


def exponent(size: float, throw: float, angle: float) -> float:
    """Return the slope of ln throw over ln speed, NaN where no speed throws so far."""
    try:
        ends = [
            first_speed(wanted_throw=throw * factor, diameter=size, release_angle=angle, **DISC)
            for factor in (0.95, 1.05)
        ]
    except CalibrationError:
        return math.nan
    return math.log(1.05 / 0.95) / math.log(ends[1] / ends[0])


def study() -> np.ndarray:
    """Return the exponents, (angles, sizes, throws)."""
    angles = (0.0, math.radians(10.0))
    return np.array([[[exponent(size, throw, angle) for throw in THROWS] for size in SIZES] for angle in angles])


def report() -> str:
    """Print the exponents as tables."""
    lines = []
    for angle, table in zip(("level", "10 degrees up"), study(), strict=True):
        lines.append(f"{angle:14s}" + "".join(f"{throw:7.1f} m" for throw in THROWS))
        lines += [
            f"{1000 * size:10.1f} mm " + "".join(f"{one:9.2f}" for one in row)
            for size, row in zip(SIZES, table, strict=True)
        ]
    found = study()
    lines.append(f"middle {np.nanmedian(found):.2f}, from {np.nanmin(found):.2f} to {np.nanmax(found):.2f}")
    return "\n".join(lines)
