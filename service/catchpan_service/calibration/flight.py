"""The flight of a granule: from the rim of the disc through air and wind to the ground."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.integrate import OdeSolution, solve_ivp
from scipy.optimize import brentq
from scipy.special import ndtri

from .drag import AIR_DENSITY, AIR_VISCOSITY, GRAVITY, check_air, check_granule, slowing
from .errors import CalibrationError
from .limits import limited

FloatArray = NDArray[np.float64]

MOST_FLIGHTS = 200
"""Granules, angles and sides that one call may combine."""

FASTEST_RELEASE, STRONGEST_WIND, HIGHEST_RELEASE = 80.0, 40.0, 5.0
"""[m/s], [m/s] and [m]: beyond any spreader and any weather to spread in (vanes give 15 to 50 m/s,
up to 70 m/s on wide machines: Agriculture 2020, 10, 467)."""

LOWEST_ANGLE, HIGHEST_ANGLE = math.radians(-45.0), math.radians(80.0)
"""[rad], release angles above the horizontal."""

VANE_FRICTION = 0.3
"""Assumed friction of a granule on a vane (from memory: 0.2 to 0.5 for fertiliser on steel)."""

LARGEST_VANE_ANGLE = math.radians(60.0)
"""[rad], either way."""

COARSE_SHARE, FINE_SHARE = 0.10, 0.95
"""Shares by mass that are coarser, of whose sizes the uniformity index is the ratio."""

PRECISION = 1e-10
"""Relative precision of the integration."""


@dataclass(frozen=True)
class Flights:
    """Where granules land; arrays of one shape, axes as the arguments were broadcast.

    Attributes
    ----------
    across : FloatArray
        From the rim, positive to the right of the driver [m].
    along : FloatArray
        From the rim, positive in the direction of driving [m].
    time : FloatArray
        Until the ground is reached [s].
    speed : FloatArray
        On the ground [m/s].
    """

    across: FloatArray
    along: FloatArray
    time: FloatArray
    speed: FloatArray


@dataclass(frozen=True)
class Release:
    """How a granule leaves the disc.

    Attributes
    ----------
    speed : float
        [m/s].
    reach : float
        How far outside the disc's middle the rim is, in the direction of the throw [m].
    """

    speed: float
    reach: float


def flights(
    *,
    diameter: ArrayLike,
    particle_density: ArrayLike,
    release_speed: ArrayLike,
    release_height: float,
    release_angle: ArrayLike = 0.0,
    side: ArrayLike = 1.0,
    head_wind: float = 0.0,
    cross_wind: float = 0.0,
    air_density: float = AIR_DENSITY,
    air_viscosity: float = AIR_VISCOSITY,
) -> Flights:
    """Follow granules that are thrown straight to a side, until they land.

    Newton's law for a sphere: weight less buoyancy, and drag against the air that moves with the wind,
    ``dv/dt = -k(|v - w|) (v - w) - g (1 - air / particle density)``, with k of :func:`.drag.slowing`. All granules
    are integrated at once (Dormand and Prince, order 8), and each one's landing is the root of its height on the
    dense solution. The wind is the same at every height; granules do not spin, bounce or meet.

    Parameters
    ----------
    diameter, particle_density : array_like
        [m], [kg/m³].
    release_speed : array_like
        [m/s].
    release_height : float
        Of the disc above the ground [m].
    release_angle : array_like
        Above the horizontal [rad].
    side : array_like
        1 to the right of the driver, -1 to the left.
    head_wind : float
        Against the direction of driving [m/s]; a tail wind is negative.
    cross_wind : float
        From left to right [m/s].
    air_density, air_viscosity : float
        [kg/m³], [Pa s].

    Raises
    ------
    CalibrationError
        For what cannot fly or blow so, and for more than 200 flights.

    Examples
    --------
    >>> found = flights(diameter=0.003, particle_density=1300.0, release_speed=15.0, release_height=0.6)
    >>> round(float(found.across), 2)
    4.53
    """
    check_granule(diameter, particle_density)
    check_air(air_density, air_viscosity)
    _check_release(release_speed, release_height, release_angle)
    limited("side", np.abs(side), 1.0, 1.0, "1 to the right, or -1 to the left", dimensions=np.ndim(side))
    limited("head_wind", head_wind, -STRONGEST_WIND, STRONGEST_WIND, "no more than a storm")
    limited("cross_wind", cross_wind, -STRONGEST_WIND, STRONGEST_WIND, "no more than a storm")
    arrays = (np.asarray(one, np.float64) for one in (diameter, particle_density, release_speed, release_angle, side))
    try:
        size, density, speed, angle, way = np.broadcast_arrays(*arrays)
    except ValueError as error:
        message = "the arrays do not go together"
        raise CalibrationError("wrong_shape", message, where=("diameter",), allowed="one shape") from error
    if not 0 < size.size <= MOST_FLIGHTS:
        allowed = f"1 to {MOST_FLIGHTS} flights"
        raise CalibrationError("too_many_flights", "too many flights at once", given=size.size, allowed=allowed)
    air = (np.array([cross_wind, -head_wind, 0.0]), air_density, air_viscosity)
    start = np.array([np.sign(way) * speed * np.cos(angle), 0.0 * speed, speed * np.sin(angle)]).reshape(3, -1)
    landed = _landed(size.ravel(), density.ravel(), start, float(release_height), air)
    return Flights(*(one.reshape(size.shape) for one in landed))


Air = tuple[FloatArray, float, float]


def _landed(
    size: FloatArray, density: FloatArray, start: FloatArray, height: float, air: Air
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return across, along, time and speed on the ground of each granule."""
    count = len(size)
    weight = GRAVITY * (1.0 - air[1] / density)

    def rise(_time: float, state: FloatArray) -> FloatArray:
        velocity = state.reshape(6, count)[3:]
        against = velocity - air[0][:, None]
        fast = np.sqrt((against**2).sum(axis=0))
        force = -against * slowing(
            fast, diameter=size, particle_density=density, air_density=air[1], air_viscosity=air[2]
        )
        force[2] -= weight
        return np.concatenate([velocity, force]).ravel()

    def all_down(_time: float, state: FloatArray) -> float:
        return float(state.reshape(6, count)[2].max()) + 1e-6 * height

    all_down.terminal = True  # type: ignore[attr-defined]
    begin = np.zeros((6, count))
    begin[2], begin[3:] = height, start
    last = _longest(start[2].max(), height)
    solved = solve_ivp(
        rise, (0.0, last), begin.ravel(), "DOP853", events=all_down, dense_output=True, rtol=PRECISION, atol=PRECISION
    )
    heights = solved.y.reshape(6, count, -1)[2]
    times = [_touchdown(solved.sol, solved.t, heights[one], one, count) for one in range(count)]
    states = np.array([solved.sol(time).reshape(6, count)[:, one] for one, time in enumerate(times)]).T
    return states[0], states[1], np.array(times), np.sqrt((states[3:] ** 2).sum(axis=0))


def _longest(upward: float, height: float) -> float:
    """Return a time [s] after which nothing is in the air any more: granules fall faster than 0.1 m/s."""
    up = max(float(upward), 0.0)
    return up / 5.0 + 2.0 * math.sqrt(2.0 * (height + up**2 / 10.0) / GRAVITY) + (height + up**2 / 10.0) / 0.1


def _touchdown(path: OdeSolution, times: FloatArray, heights: FloatArray, one: int, count: int) -> float:
    """Return when a granule's height is 0 for the first time."""
    after = int(np.argmax(heights < 0.0))
    place = 2 * count + one
    return float(brentq(lambda time: path(time)[place], times[after - 1], times[after], xtol=1e-12))


def release(
    *, disc_diameter: float, impeller_speed: float, vane_angle: float = 0.0, vane_friction: float = VANE_FRICTION
) -> Release:
    """Return how a granule leaves a straight vane.

    Along the vane, in the frame of the disc, ``s'' = w² s - 2 m w s' - m w² R sin(b)``: centrifugal force, friction
    under the Coriolis force, and friction under the vane's lean. A granule fed near the middle follows the growing
    solution, ``s' = w (sqrt(1 + m²) - m) (R cos b - m R sin b)`` at the rim. To it comes the rim's own speed w R.
    Assumed: fed near the middle, one contact, friction on the disc's floor left out (g is small beside w² R).

    Parameters
    ----------
    disc_diameter : float
        2 R [m].
    impeller_speed : float
        w / 2 pi [1/s].
    vane_angle : float
        b, from the radius at the rim, positive leaning forward, in the direction of turning [rad].
    vane_friction : float
        m.

    Examples
    --------
    >>> leaves = release(disc_diameter=0.4, impeller_speed=10.0, vane_friction=0.0)
    >>> round(leaves.speed / (0.4 * math.pi * 10.0), 6)
    1.414214
    """
    limited("disc_diameter", disc_diameter, 0.05, 3.0, "a disc's diameter, 5 cm to 3 m")
    limited("impeller_speed", impeller_speed, 1e-3, 100.0, "above zero and below 6000 rpm")
    limited("vane_angle", vane_angle, -LARGEST_VANE_ANGLE, LARGEST_VANE_ANGLE, "within 60 degrees of the radius")
    limited("vane_friction", vane_friction, 0.0, 1.0, "from 0 to 1")
    radius, turning = disc_diameter / 2.0, 2.0 * math.pi * impeller_speed
    growth = math.sqrt(1.0 + vane_friction**2) - vane_friction
    along = turning * growth * radius * (math.cos(vane_angle) - vane_friction * math.sin(vane_angle))
    if along <= 0:
        message = "with this lean and friction a granule does not leave the vane"
        raise CalibrationError(
            "bad_vane_angle", message, where=("vane_angle",), given=vane_angle, allowed="less lean or less friction"
        )
    outward, forward = along * math.cos(vane_angle), turning * radius + along * math.sin(vane_angle)
    speed = math.hypot(outward, forward)
    return Release(speed, radius * outward / speed)


def first_speed(
    *,
    wanted_throw: float,
    diameter: float,
    particle_density: float,
    disc_diameter: float,
    release_height: float,
    release_angle: float = 0.0,
    vane_angle: float = 0.0,
    vane_friction: float = VANE_FRICTION,
    air_density: float = AIR_DENSITY,
) -> float:
    """Return the impeller speed [1/s] at which a granule lands at the wanted throw, in still air.

    The throw counts from the disc's middle. A first guess, for a first test: see :func:`release` and
    :func:`flights` for what is assumed.

    Raises
    ------
    CalibrationError
        ``throw_out_of_reach`` where no speed up to 6000 rpm or 80 m/s throws so far, or the slowest throws further.
    """
    limited("wanted_throw", wanted_throw, 0.1, 200.0, "0.1 to 200 m")

    def off(logarithm: float) -> float:
        leaves = release(
            disc_diameter=disc_diameter,
            impeller_speed=math.exp(logarithm),
            vane_angle=vane_angle,
            vane_friction=vane_friction,
        )
        found = flights(
            diameter=diameter,
            particle_density=particle_density,
            release_speed=leaves.speed,
            release_height=release_height,
            release_angle=release_angle,
            air_density=air_density,
        )
        return float(found.across) + leaves.reach - wanted_throw

    one = release(disc_diameter=disc_diameter, impeller_speed=1.0, vane_angle=vane_angle, vane_friction=vane_friction)
    ends = math.log(0.1), math.log(0.999 * min(FASTEST_RELEASE / one.speed, 100.0))
    if ends[0] >= ends[1] or off(ends[0]) > 0 or off(ends[1]) < 0:
        message = "no impeller speed throws this granule just so far"
        allowed = "a throw that the disc can reach, and not below what falls beside it"
        raise CalibrationError(
            "throw_out_of_reach", message, where=("wanted_throw",), given=wanted_throw, allowed=allowed
        )
    return math.exp(brentq(off, *ends, xtol=1e-9))


def granule_sizes(*, size_guide_number: float, uniformity_index: float) -> FloatArray:
    """Return the sizes [m] that 10 %, 50 % and 95 % of the mass is coarser than.

    The size guide number is 100 x the middle size in mm, the uniformity index 100 x d95 / d10. Two numbers do not
    say how d10 and d95 lie about the middle; here the sizes are taken to be log-normal by mass.

    Examples
    --------
    >>> [round(float(1000 * size), 3) for size in granule_sizes(size_guide_number=215, uniformity_index=50)]
    [2.913, 2.15, 1.456]
    """
    limited("size_guide_number", size_guide_number, 20.0, 1000.0, "20 to 1000")
    limited("uniformity_index", uniformity_index, 1.0, 100.0, "1 to 100")
    coarse, fine = float(ndtri(1.0 - COARSE_SHARE)), float(ndtri(1.0 - FINE_SHARE))
    spread = -math.log(uniformity_index / 100.0) / (coarse - fine)
    return np.asarray(size_guide_number * 1e-5 * np.exp(spread * np.array([coarse, 0.0, fine])), dtype=np.float64)


def _check_release(speed: ArrayLike, height: float, angle: ArrayLike) -> None:
    dimensions = np.ndim(speed)
    limited("release_speed", speed, 0.01, FASTEST_RELEASE, "above zero and at most 80 m/s", dimensions=dimensions)
    limited("release_height", height, 0.01, HIGHEST_RELEASE, "1 cm to 5 m")
    words = "45 degrees below to 80 degrees above the horizontal"
    limited("release_angle", angle, LOWEST_ANGLE, HIGHEST_ANGLE, words, dimensions=np.ndim(angle))
