"""Drag of a sphere in air, and the speed at which it falls."""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import elementwise

from .limits import limited, together

FloatArray = NDArray[np.float64]

GRAVITY = 9.80665
"""[m/s²], standard gravity (exact by definition)."""

AIR_DENSITY, AIR_VISCOSITY = 1.2041, 1.81e-5
"""[kg/m³] and [Pa s], dry air at 20 °C and sea level (from memory); J. Carr prints 1.205 and 1.808e-5,
nettally.com/jcarr/Physics/drag/drag1a.html."""

SMALLEST_DIAMETER, LARGEST_DIAMETER = 3e-4, 0.02
"""[m], dust and pebble: between them lies every spread granule."""

LEAST_DENSITY, MOST_DENSITY = 300.0, 2e4
"""[kg/m³], of a granule itself."""


def drag_coefficient(reynolds: ArrayLike) -> FloatArray:
    """Drag coefficient of a sphere, ``24/Re (1 + 0.1806 Re^0.6459) + 0.4251 / (1 + 6880.95/Re)``.

    A. Haider and O. Levenspiel, Powder Technology 58 (1989) 63-70, the form for spheres, Re up to 2e5. Against 19
    measured points from Re 0.16 to 100 000 it is off by up to 11 %, from Re 100 to 20 000 by up to 8 %.

    Parameters
    ----------
    reynolds : array_like
        Density x relative speed x diameter / viscosity, above 0.

    Raises
    ------
    CalibrationError
        For a number that is none.

    Examples
    --------
    >>> round(float(drag_coefficient(1000.0)), 6)
    0.453457
    """
    told = np.asarray(reynolds, dtype=np.float64)
    reynolds = limited("reynolds", told, 1e-9, 1e9, "above zero, from 1e-9 to 1e9", dimensions=told.ndim)
    return np.asarray(reduced_drag(reynolds) / reynolds, dtype=np.float64)


def reduced_drag(reynolds: FloatArray) -> FloatArray:
    """Drag coefficient x Reynolds number: finite down to rest, where it is that of Stokes, 24."""
    slow = 24.0 * (1.0 + 0.1806 * reynolds**0.6459)
    return np.asarray(slow + 0.4251 * reynolds**2 / (reynolds + 6880.95), dtype=np.float64)


def slowing(
    speed: FloatArray,
    *,
    diameter: ArrayLike,
    particle_density: ArrayLike,
    air_density: float = AIR_DENSITY,
    air_viscosity: float = AIR_VISCOSITY,
) -> FloatArray:
    """Deceleration by drag over the speed relative to the air [1/s].

    ``3/4 (viscosity / (particle density x diameter²)) Cd Re``; the deceleration is this times the relative velocity.
    """
    size = np.asarray(diameter, dtype=np.float64)
    reynolds = air_density * speed * size / air_viscosity
    factor = 0.75 * air_viscosity / (np.asarray(particle_density, dtype=np.float64) * size**2)
    return np.asarray(factor * reduced_drag(reynolds), dtype=np.float64)


def terminal_velocity(
    *,
    diameter: ArrayLike,
    particle_density: ArrayLike,
    air_density: float = AIR_DENSITY,
    air_viscosity: float = AIR_VISCOSITY,
) -> FloatArray:
    """Speed at which drag carries a sphere's weight less its buoyancy [m/s].

    Parameters
    ----------
    diameter : array_like
        [m].
    particle_density : array_like
        Of the granule itself [kg/m³].
    air_density, air_viscosity : float
        [kg/m³], [Pa s].

    Raises
    ------
    CalibrationError
        For a granule or air that cannot be.

    Examples
    --------
    >>> round(float(terminal_velocity(diameter=0.002, particle_density=1300.0)), 4)
    7.9385
    """
    check_granule(diameter, particle_density)
    check_air(air_density, air_viscosity)
    columns = {"diameter": diameter, "particle_density": particle_density}
    size, density = together(**{name: np.asarray(value, dtype=np.float64) for name, value in columns.items()})

    def excess(speed: FloatArray, size: FloatArray, density: FloatArray) -> FloatArray:
        options = {"air_density": air_density, "air_viscosity": air_viscosity}
        drag = slowing(speed, diameter=size, particle_density=density, **options) * speed
        return np.asarray(drag - GRAVITY * (1.0 - air_density / density), dtype=np.float64)

    ends = (np.full_like(size, 1e-9), np.full_like(size, 1e4))
    return np.asarray(elementwise.find_root(excess, ends, args=(size, density)).x, dtype=np.float64)


def check_granule(diameter: ArrayLike, particle_density: ArrayLike) -> None:
    """Refuse granules that no spreader throws."""
    size, density = np.asarray(diameter, np.float64), np.asarray(particle_density, np.float64)
    words = "a granule's size, of 0.3 to 20 mm"
    limited("diameter", size, SMALLEST_DIAMETER, LARGEST_DIAMETER, words, dimensions=size.ndim)
    words = "the density of a granule itself, 300 to 20000 kg/m³"
    limited("particle_density", density, LEAST_DENSITY, MOST_DENSITY, words, dimensions=density.ndim)


def check_air(air_density: float, air_viscosity: float) -> None:
    """Refuse air that is none."""
    limited("air_density", air_density, 0.1, 10.0, "the density of air, 0.1 to 10 kg/m³")
    limited("air_viscosity", air_viscosity, 1e-6, 1e-4, "the viscosity of air")
