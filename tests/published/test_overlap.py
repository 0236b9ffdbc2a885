"""Pan tests and overlap against figures from outside the project.

Closed forms of Fourier and geometry are stated beside each check; the printed rules carry their source.
"""

import math

import numpy as np
import pytest

from catchpan_service.calibration.overlap import overlap
from catchpan_service.calibration.pattern import Pattern, shape
from catchpan_service.calibration.stations import station_field
from catchpan_service.calibration.superposition import DRIVINGS, superpose

FOOT = 0.3048

# Small sets in whole numbers, which anyone can add up by hand; the pans lie one unit apart.
SYMMETRIC = [0, 1, 2, 3, 4, 5, 6, 5, 4, 3, 2, 1, 0]
SKEWED = [0, 2, 4, 6, 8, 10, 12, 11, 9, 6, 3, 1, 0]


def laid(positions, rates):
    position, rate = np.array(positions, dtype=float), np.array(rates, dtype=float)
    return Pattern(position, rate, None, 1, rate[None])


def pans(weights):
    return laid(np.arange(len(weights)) - len(weights) // 2, weights)


def population_cv(pattern, spacing, driving):
    at = np.array([spacing], dtype=float)
    return superpose(positions=pattern.position, rate=pattern.rate, spacings=at, driving=driving).cv[0]


@pytest.mark.parametrize("driving", DRIVINGS)
@pytest.mark.parametrize(
    ("spacing", "cv"),
    [(2.0, 0.0), (1.0, 0.0), (2 / 3, 0.0), (0.5, 0.0), (3.0, 0.25), (4.0, 1 / math.sqrt(3))],
)
def test_triangle_of_half_base_two(spacing, cv, driving):
    """Shifted triangles add up to a constant at every whole part of the half base; the others by integration."""
    assert population_cv(laid([-2, 0, 2], [0, 5, 0]), spacing, driving) == pytest.approx(cv, abs=1e-9)


@pytest.mark.parametrize("driving", DRIVINGS)
@pytest.mark.parametrize(("part", "cv"), [(1.0, 0.0), (0.5, 0.0), (0.75, 0.353553390593)])
def test_rectangle(part, cv, driving):
    """CV = sqrt((w - 1) (2 - w)) / w with w = width / spacing between 1 and 2."""
    assert population_cv(laid([-3, 0, 3], [1, 1, 1]), 6 * part, driving) == pytest.approx(cv, abs=1e-9)


@pytest.mark.parametrize("driving", DRIVINGS)
def test_trapezoid_is_even_at_half_the_sum_of_top_and_base(driving):
    assert population_cv(laid([-1.5, -0.5, 0.5, 1.5], [0, 1, 1, 0]), 2.0, driving) == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize(("driving", "cv"), [("one_way", 1 / math.sqrt(12)), ("back_and_forth", 0.5)])
def test_fully_skewed_ramp_separates_the_ways_of_driving(driving, cv):
    assert population_cv(laid([-1, 0, 1], [0, 1, 2]), 1.0, driving) == pytest.approx(cv, abs=1e-9)


@pytest.mark.parametrize("driving", DRIVINGS)
@pytest.mark.parametrize("spacing", [2.0, 2.354820045, 3.0])
def test_bell_curve_from_dense_pans(spacing, driving):
    """Poisson summation: CV = sqrt(2 sum exp(-4 pi^2 k^2 sigma^2 / S^2)); 1.017086, 4.023034, 15.776150 %."""
    positions = np.linspace(-8, 8, 1601)
    pattern = laid(positions, np.exp(-(positions**2) / 2))
    series = sum(math.exp(-4 * math.pi**2 * k**2 / spacing**2) for k in range(1, 20))
    assert population_cv(pattern, spacing, driving) == pytest.approx(math.sqrt(2 * series), rel=1e-4)


@pytest.mark.parametrize(
    ("weights", "steps", "driving", "field"),
    [
        (SYMMETRIC, 6, "one_way", [6] * 6),
        (SYMMETRIC, 6, "back_and_forth", [6] * 12),
        (SYMMETRIC, 8, "one_way", [6, 5, 4, 4, 4, 4, 4, 5]),
        (SYMMETRIC, 8, "back_and_forth", [6, 5, 4, 4, 4, 4, 4, 5] * 2),
        (SYMMETRIC, 9, "one_way", [6, 5, 4, 3, 3, 3, 3, 4, 5]),
        (SYMMETRIC, 9, "back_and_forth", [6, 5, 4, 3, 3, 3, 3, 4, 5] * 2),
        (SKEWED, 6, "one_way", [12, 13, 13, 12, 11, 11]),
        (SKEWED, 6, "back_and_forth", [12] * 12),
        (SKEWED, 7, "one_way", [12, 11, 11, 10, 9, 9, 10]),
        (SKEWED, 7, "back_and_forth", [12, 11, 10, 9, 9, 10, 11, 12, 10, 10, 10, 10, 10, 10]),
    ],
)
def test_field_at_stations_adds_up_by_hand(weights, steps, driving, field):
    assert station_field(pattern=pans(weights), spacing=float(steps), driving=driving).tolist() == field


@pytest.mark.parametrize(
    ("weights", "steps", "driving", "mean", "population", "sample"),
    [
        (SYMMETRIC, 6, "one_way", 6, 0, 0),
        (SYMMETRIC, 6, "back_and_forth", 6, 0, 0),
        (SYMMETRIC, 8, "one_way", 4.5, 15.7135, 16.7984),
        (SYMMETRIC, 8, "back_and_forth", 4.5, 15.7135, 16.2288),
        (SYMMETRIC, 9, "one_way", 4, 26.3523, 27.9508),
        (SYMMETRIC, 9, "back_and_forth", 4, 26.3523, 27.1163),
        (SKEWED, 6, "one_way", 12, 6.8041, 7.4536),
        (SKEWED, 6, "back_and_forth", 12, 0, 0),
        (SKEWED, 7, "one_way", 10.2857, 10.0154, 10.8179),
        (SKEWED, 7, "back_and_forth", 10.2857, 8.5617, 8.8849),
    ],
)
def test_cv_at_stations_by_both_deviations(weights, steps, driving, mean, population, sample):
    """n against n - 1 alone moves the symmetric set at 8 steps over a limit of 16 %."""
    for deviation, cv in (("population", population), ("sample", sample)):
        asked = {"spacings": np.array([float(steps)]), "evaluation": "stations", "deviation": deviation}
        answer = overlap(pans(weights), driving=(driving,), **asked)
        assert 100 * answer.by_driving[driving].cv[0] == pytest.approx(cv, abs=5e-5)
        assert station_field(pattern=pans(weights), spacing=float(steps), driving=driving).mean() == pytest.approx(
            mean, abs=5e-5
        )


def test_half_rate_width_of_the_printed_example():
    """Centre vials 4 in deep, 2 in deep 6 ft out on both sides: passes 12 ft apart.

    Ohio State Univ. Extension, Bulletin 817-00, ohioline.osu.edu/b817/b817_13.html.
    """
    feet = np.array([-10.0, -8, -6, -4, -2, 0, 2, 4, 6, 8, 10])
    depth = np.array([0, 1, 2, 3, 4, 4, 4, 3, 2, 1, 0])
    measures = shape(laid(feet * FOOT, depth))
    assert measures.half_rate_left / FOOT == pytest.approx(6, abs=1e-12)
    assert measures.half_rate_width / FOOT == pytest.approx(12, abs=1e-12)


def test_working_width_of_a_lopsided_pattern_adds_both_half_rate_distances():
    """Left half-peak distance + right half-peak distance, symmetric or not.

    tecnicoagricola.es/regulacion-de-las-abonadoras-de-proyeccion (rule; the numbers are made up here).
    """
    measures = shape(laid([-6, -4, -2, -1, 0, 1, 2, 3], [0, 4, 8, 8, 8, 8, 4, 0]))
    assert (measures.half_rate_left, measures.half_rate_right) == (4.0, 2.0)
    assert measures.half_rate_width == 6.0


def test_bell_curve_at_its_half_rate_width_is_even():
    """The half-rate rule on a bell curve gives a CV of 4.023034 % (closed form above)."""
    positions = np.linspace(-8, 8, 1601)
    pattern = laid(positions, np.exp(-(positions**2) / 2))
    assert population_cv(pattern, shape(pattern).half_rate_width, "one_way") == pytest.approx(0.04023034, rel=1e-3)
