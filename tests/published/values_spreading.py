"""Drag, flight and throw against figures from outside the project."""

from pathlib import Path

import numpy as np
import scipy
from scipy.integrate import solve_ivp

from catchpan_service.calibration.drag import AIR_DENSITY, GRAVITY, drag_coefficient, slowing, terminal_velocity
from catchpan_service.calibration.flight import flights
from catchpan_service.calibration.throw import ThrowLaw, throw_law

from .row import Row

CALCDEMMA = "Indiana Univ. of Pennsylvania, CalcDEMma, ma.iup.edu/projects/CalcDEMma/drag/drag07.html"
FLUIDS = "PyPI fluids 1.3.1"
BIOCCA = "Biocca, Gallo, Menesatti, J. Agric. Eng. 44(2s), 2013"
NORRIS = "NIST StRD, Norris (scipy/stats/tests/data/nist_linregress)"

SLOW = (0.1585, 0.4786, 3.020, 7.015, 15.49, 57.54)
FLOWN = (144.5, 264.9, 512.9, 1000, 1862, 3162, 4764, 8375, 15560)
FAST = (26480, 34670, 58880, 100000)
"""Reynolds numbers of the measured spheres; the list's first point is left out: it lies 20 % above Stokes' 24/Re, which
must hold there."""

GRANULES = ((1, 1300), (1, 1800), (2, 1300), (2, 1800), (3, 1300), (3, 1800))
"""[mm] and [kg/m³]."""


def falling() -> list[float]:
    """Terminal velocities of the granules [m/s]."""
    return [float(terminal_velocity(diameter=size / 1000, particle_density=density)) for size, density in GRANULES]


def fertilisers() -> list[float]:
    """Terminal velocities [m/s] of 2.5 mm at 1300 kg/m³ and of 3.5 mm at 1800 kg/m³."""
    return [
        float(terminal_velocity(diameter=size, particle_density=rho)) for size, rho in ((0.0025, 1300), (0.0035, 1800))
    ]


def level_throw() -> float:
    """10 m/s level from 0.6 m: a heavy pebble in the thinnest air that is taken [m]."""
    found = flights(
        diameter=0.02, particle_density=2e4, release_speed=10.0, release_height=0.6, air_density=0.1, air_viscosity=1e-6
    )
    return float(found.across)


def thrown_down(diameter: float, density: float, speed: float) -> list[float]:
    """Speed [m/s] and distance [m] after half a second straight down, by drag and weight less buoyancy."""

    def change(_: float, state: np.ndarray) -> list[float]:
        drag = float(slowing(state[0], diameter=diameter, particle_density=density) * state[0])
        return [GRAVITY * (1.0 - AIR_DENSITY / density) - drag, state[0]]

    return solve_ivp(change, (0.0, 0.5), [speed, 0.0], rtol=1e-10, atol=1e-10).y[:, -1].tolist()


def norris() -> ThrowLaw:
    """Throws and speeds as the exponentials of y/100 and x/100, each throw with the same relative uncertainty."""
    file = Path(scipy.__file__).parent / "stats/tests/data/nist_linregress/Norris.dat"
    y, x = np.loadtxt(file, skiprows=60).T
    throw = np.exp(y / 100) / 1000
    return throw_law(speed=np.exp(x / 100) / 1000, throw=throw, uncertainty=throw / 100, reading_weight=0.0)


def intercept() -> list[float]:
    """Norris' intercept and its deviation, from the level at the reference speed."""
    law = norris()
    middle = 100 * np.log(law.reference_speed * 1000)
    to_zero = np.array([100.0, -middle])
    level = 100 * np.log(law.scale * 1000) - law.exponent * middle
    return [float(level), float(np.sqrt(to_zero @ law.covariance @ to_zero))]


ROWS = (
    Row(
        "drag coefficient of measured spheres, Re 0.16 to 58",
        CALCDEMMA,
        "169.8 58.88 10.86 5.623 3.388 1.479",
        lambda: drag_coefficient(SLOW),
        share=0.12,
    ),
    Row(
        "Re 144 to 15 560, where spread granules fly",
        CALCDEMMA,
        "0.9204 0.7194 0.5623 0.4786 0.4365 0.4074 0.3890 0.3981 0.4395",
        lambda: drag_coefficient(FLOWN),
        share=0.08,
    ),
    Row(
        "Re 26 480 to 100 000",
        CALCDEMMA,
        "0.4571 0.4775 0.4732 0.4624",
        lambda: drag_coefficient(FAST),
        share=0.12,
    ),
    Row(
        "drag coefficient, Haider and Levenspiel, Re 0.1 to 10 000",
        FLUIDS,
        "249.796 28.3345 4.31853 1.09474 0.556778 0.453457 0.396085 0.420383",
        lambda: drag_coefficient([0.1, 1, 10, 100, 500, 1000, 5000, 10_000]),
        basis="computed",
        share=5e-6,
    ),
    Row("drag coefficient, another correlation, Re 200", FLUIDS, "0.7682237950", lambda: drag_coefficient(200.0), basis="computed", share=0.04),
    Row(
        "terminal velocity, 1 to 3 mm, 1300 and 1800 kg/m³ [m/s]",
        FLUIDS,
        "4.5952 5.6218 7.9385 9.5281 10.2786 12.1797",
        falling,
        basis="computed",
        near=6e-5,
    ),
    Row(
        "the same, correlation of Clift, Grace and Weber [m/s]",
        FLUIDS,
        "4.6784 5.6885 7.7614 9.2759 10.0237 11.9448",
        falling,
        basis="computed",
        share=0.03,
    ),
    Row(
        "terminal velocity of fertilisers of 2.5 to 3.5 mm, 1300 to 1800 kg/m³ [m/s]; theirs not stated",
        BIOCCA,
        "8.60 9.55",
        fertilisers,
        share=0.4,
    ),
    Row(
        "3 mm, 1300 kg/m³, thrown straight down at 30 m/s: speed and distance after 0.5 s [m/s, m]; another correlation",
        FLUIDS,
        "15.239206 10.217612",
        lambda: thrown_down(0.003, 1300, 30),
        basis="computed",
        share=0.03,
    ),
    Row(
        "the same, 1800 kg/m³",
        FLUIDS,
        "17.951741 11.264751",
        lambda: thrown_down(0.003, 1800, 30),
        basis="computed",
        share=0.03,
    ),
    Row(
        "the same, 2 mm, 1300 kg/m³, 15 m/s",
        FLUIDS,
        "9.651194 5.818399",
        lambda: thrown_down(0.002, 1300, 15),
        basis="computed",
        share=0.03,
    ),
    Row("level throw, 10 m/s from 0.6 m, without air [m]", "closed form", "3.498084", level_throw, basis="computed", share=5e-4),
    Row("law of throw: slope and its deviation", NORRIS, "1.00211681802045 0.429796848199937E-03", lambda: [norris().exponent, np.sqrt(norris().covariance[1, 1])], share=1e-9),
    Row("law of throw: intercept and its deviation", NORRIS, "-0.262323073774029 0.232818234301152", intercept, share=1e-7),
    Row(
        "law of throw: residual deviation",
        NORRIS,
        "0.884796396144373",
        lambda: np.sqrt(norris().chi_square / norris().degrees_of_freedom),
        share=1e-9,
    ),
    Row(
        "law of throw: F and R²",
        NORRIS,
        "5436385.54079785 0.999993745883712",
        lambda: [ratio := norris().exponent ** 2 / norris().covariance[1, 1], ratio / (ratio + 34)],
        share=1e-9,
    ),
)  # fmt: skip
