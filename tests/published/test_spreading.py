"""Throw and flight against figures from outside the project."""

from pathlib import Path

import numpy as np
import pytest
import scipy

from catchpan_service.calibration.drag import drag_coefficient, terminal_velocity
from catchpan_service.calibration.flight import flights
from catchpan_service.calibration.throw import throw_law

# Indiana Univ. of Pennsylvania, CalcDEMma project, "The graph of log CD vs log Re",
# ma.iup.edu/projects/CalcDEMma/drag/drag07.html: measured spheres. The list's first point is left out: it lies 20 %
# above Stokes' 24/Re, which must hold there.
MEASURED = [
    (0.1585, 169.8), (0.4786, 58.88), (3.020, 10.86), (7.015, 5.623), (15.49, 3.388), (57.54, 1.479), (144.5, 0.9204),
    (264.9, 0.7194), (512.9, 0.5623), (1000, 0.4786), (1862, 0.4365), (3162, 0.4074), (4764, 0.3890), (8375, 0.3981),
    (15560, 0.4395), (26480, 0.4571), (34670, 0.4775), (58880, 0.4732), (100000, 0.4624),
]  # fmt: skip


def test_drag_of_measured_spheres():
    reynolds, drag = np.array(MEASURED).T
    off = drag_coefficient(reynolds) / drag - 1
    flown = (reynolds >= 100) & (reynolds <= 20_000)  # where spread granules fly
    assert np.abs(off[flown]).max() < 0.08
    assert np.abs(off).max() < 0.12


@pytest.mark.parametrize(
    ("reynolds", "drag"),
    [(0.1, 249.796), (1, 28.3345), (10, 4.31853), (100, 1.09474), (500, 0.556778), (1000, 0.453457),
     (5000, 0.396085), (10_000, 0.420383)],
)  # fmt: skip
def test_drag_by_haider_and_levenspiel(reynolds, drag):
    """The sphere form as PyPI fluids 1.3.1 (fluids/drag.py) computes it."""
    assert float(drag_coefficient(reynolds)) == pytest.approx(drag, rel=5e-6)


# air 1.2041 kg/m³, 1.81e-5 Pa s, buoyancy included: by PyPI fluids 1.3.1, first with the same correlation, then with
# that of Clift, Grace and Weber, which puts the choice of correlation in sight
@pytest.mark.parametrize(
    ("size", "density", "same", "other"),
    [(1, 1300, 4.5952, 4.6784), (1, 1800, 5.6218, 5.6885), (2, 1300, 7.9385, 7.7614), (2, 1800, 9.5281, 9.2759),
     (3, 1300, 10.2786, 10.0237), (3, 1800, 12.1797, 11.9448)],
)  # fmt: skip
def test_terminal_velocity(size, density, same, other):
    found = float(terminal_velocity(diameter=size / 1000, particle_density=density))
    assert found == pytest.approx(same, abs=6e-5)
    assert found == pytest.approx(other, rel=0.03)


def test_terminal_velocity_of_measured_fertilisers():
    """8.60 to 9.55 m/s in a vertical wind tunnel: Biocca, Gallo, Menesatti, J. Agric. Eng. 44(2s), 2013, six
    organo-mineral fertilisers. Their sizes and densities are not stated in what was read; 2.5 to 3.5 mm and 1300 to
    1800 kg/m³ are usual, and real granules, not being smooth spheres, fall somewhat slower than spheres."""
    ours = terminal_velocity(diameter=[[0.0025], [0.0035]], particle_density=[1300.0, 1800.0])
    assert 8.6 < ours.min() < 9.55 < ours.max() < 1.4 * 9.55


def test_a_level_throw_without_air():
    """10 m/s level from 0.6 m: 3.498084 m (closed form); here a heavy pebble in the thinnest air that is taken."""
    found = flights(
        diameter=0.02, particle_density=2e4, release_speed=10.0, release_height=0.6, air_density=0.1, air_viscosity=1e-6
    )
    assert float(found.across) == pytest.approx(3.498084, rel=5e-4)


def test_the_law_of_throw_is_the_straight_line_of_norris():
    """NIST StRD, Norris (scipy/stats/tests/data/nist_linregress/Norris.dat), a straight line: throws and speeds are
    the exponentials of y/100 and x/100, each with the same relative uncertainty."""
    file = Path(scipy.__file__).parent / "stats/tests/data/nist_linregress/Norris.dat"
    y, x = np.loadtxt(file, skiprows=60).T
    throw = np.exp(y / 100) / 1000
    law = throw_law(speed=np.exp(x / 100) / 1000, throw=throw, uncertainty=throw / 100, reading_weight=0.0)
    assert law.exponent == pytest.approx(1.00211681802045, rel=1e-10)
    level = 100 * np.log(law.scale * 1000) - law.exponent * 100 * np.log(law.reference_speed * 1000)
    assert level == pytest.approx(-0.262323073774029, rel=1e-7)
    assert np.sqrt(law.covariance[1, 1]) == pytest.approx(0.429796848199937e-03, rel=1e-9)
    assert np.sqrt(law.chi_square / law.degrees_of_freedom) == pytest.approx(0.884796396144373, rel=1e-9)
