"""Overlapping passes: the folded field against quadrature and brute force, and what must not change."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate

from catchpan_service.calibration.pattern import Pattern, shape
from catchpan_service.calibration.superposition import DRIVINGS, superpose

EVEN = np.linspace(-3.0, 3.0, 13)
OFF_MIDDLE = EVEN + 0.19
ON_A_LATTICE = np.array([-4.0, -3, -2, -1.5, -1, -0.5, 0, 0.5, 1, 2, 4])
ON_NONE = np.sort(np.concatenate([[-3.7, 0.1], np.random.default_rng(5).uniform(-3.5, 3.5, 9)]))
LAYOUTS = [EVEN, OFF_MIDDLE, ON_A_LATTICE, ON_NONE]

rates = st.lists(st.floats(0, 1).map(lambda x: round(x, 3)), min_size=13, max_size=13).filter(lambda y: sum(y) > 1)
spacings = st.floats(0.5, 13).map(lambda x: np.array([x]))
drivings = st.sampled_from(DRIVINGS)


def some_rates(positions, seed=1):
    return np.random.default_rng(seed).uniform(0.1, 1.0, len(positions))


def summed(positions, rate, spacing, driving, at):
    """Sum of passes at points, one interpolation for each."""
    reach = int(np.abs(positions).max() / spacing + at.max() / spacing) + 3
    field = np.zeros_like(at)
    for k in range(-reach, reach + 1):
        away = at - k * spacing
        x = -away if driving == "back_and_forth" and k % 2 else away
        field += np.interp(x, positions, rate, left=0.0, right=0.0)
    return field


def period(spacing, driving):
    return spacing * (2 if driving == "back_and_forth" else 1)


def folded_knots(positions, spacing, length):
    """Return where the field may bend or step within one period, ascending, with both its ends."""
    knots = np.sort(np.concatenate([[0.0, length], np.concatenate([positions, spacing - positions]) % length]))
    return knots[np.diff(knots, prepend=-1.0) > 1e-9]


def even(positions, rate, spacing, driving):
    """Return CV, least and most, the same whether the spacing is asked for alone or with another."""
    asked = {"positions": positions, "rate": rate, "driving": driving}
    alone = superpose(spacings=np.atleast_1d(spacing), **asked)
    among = superpose(spacings=np.array([float(np.squeeze(spacing)), 1.0]), **asked)
    for one, two in (
        (alone.cv, among.cv),
        (alone.relative_min, among.relative_min),
        (alone.relative_max, among.relative_max),
    ):
        assert one[0] == pytest.approx(two[0], rel=1e-9, abs=1e-9)
    return alone.cv[0], alone.relative_min[0], alone.relative_max[0]


@pytest.mark.parametrize("driving", DRIVINGS)
@pytest.mark.parametrize("spacing", [0.7, 1.9, 3.3, 5.2, 9.0])
@pytest.mark.parametrize("positions", LAYOUTS)
def test_cv_equals_adaptive_quadrature_of_the_summed_passes(positions, spacing, driving):
    rate = some_rates(positions)
    length = period(spacing, driving)
    edges = folded_knots(positions, spacing, length)

    def moment(power):
        def value(t):
            return summed(positions, rate, spacing, driving, np.array([t]))[0] ** power

        return sum(integrate.quad(value, *ends)[0] for ends in itertools.pairwise(edges)) / length

    expected = np.sqrt(moment(2) / moment(1) ** 2 - 1)
    assert even(positions, rate, spacing, driving)[0] == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("driving", DRIVINGS)
@pytest.mark.parametrize("positions", LAYOUTS)
def test_extremes_are_those_of_points_beside_every_bend(positions, driving):
    rate = some_rates(positions)
    for spacing in (0.7, 1.9, 3.3, 5.2, 9.0):
        length = period(spacing, driving)
        knots = folded_knots(positions, spacing, length)
        at = np.concatenate([knots[1:] - 1e-8, knots[:-1] + 1e-8, np.linspace(1e-4, length - 1e-4, 2001)])
        field = summed(positions, rate, spacing, driving, at) * spacing / np.trapezoid(rate, positions)
        assert even(positions, rate, spacing, driving)[1:] == pytest.approx((field.min(), field.max()), abs=1e-5)


def test_many_spacings_in_parts_equal_one_at_a_time():
    positions = np.linspace(-5.0, 5.0, 201)
    rate = some_rates(positions)
    at = np.linspace(0.1, 9.0, 300)
    together = superpose(positions=positions, rate=rate, spacings=at, driving="back_and_forth")
    picked = [0, 17, 150, 299]
    alone = [even(positions, rate, at[place], "back_and_forth") for place in picked]
    expected = [together.cv[picked], together.relative_min[picked], together.relative_max[picked]]
    assert np.allclose(np.array(alone).T, expected, rtol=1e-9, atol=0)


@pytest.mark.parametrize("driving", DRIVINGS)
def test_passes_that_just_touch_do_not_count_twice_at_the_seam(driving):
    cv, least, most = even(np.array([-0.1, 0.0, 0.1]) * 3, np.ones(3), 0.6, driving)
    assert (cv, least, most) == pytest.approx((0, 1, 1), abs=1e-12)


@settings(max_examples=60, deadline=None)
@given(rates, spacings, drivings)
def test_mean_field_times_spacing_is_the_mass_per_length(y, at, driving):
    rate = np.array(y)
    points = (np.arange(20_000) + 0.5) * period(at[0], driving) / 20_000
    mean = summed(EVEN, rate, at[0], driving, points).mean()
    laid = Pattern(EVEN, rate, None, 1, rate[None])
    assert mean * at[0] == pytest.approx(shape(laid).mass_per_length, rel=2e-3)
    cv, least, most = even(EVEN, rate, at[0], driving)
    assert least <= 1 <= most
    assert cv <= np.sqrt((1 - least) * (most - 1)) + 1e-12  # the mean of (f - least) (most - f), never negative


@settings(max_examples=60, deadline=None)
@given(rates, spacings, drivings, st.floats(1e-3, 1e3))
def test_scaling_the_masses_changes_nothing(y, at, driving, factor):
    rate = np.array(y)
    assert even(EVEN, factor * rate, at, driving) == pytest.approx(even(EVEN, rate, at, driving), abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(rates, spacings, drivings)
def test_mirroring_the_pattern_keeps_the_evenness(y, at, driving):
    rate = np.array(y)
    mirrored = even(-OFF_MIDDLE[::-1], rate[::-1], at, driving)
    assert mirrored == pytest.approx(even(OFF_MIDDLE, rate, at, driving), abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(rates, spacings)
def test_a_symmetric_pattern_is_alike_both_ways_of_driving(y, at):
    rate = np.array(y) + np.array(y)[::-1]
    assert even(EVEN, rate, at, "one_way") == pytest.approx(even(EVEN, rate, at, "back_and_forth"), abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.5, 20), st.integers(1, 20), drivings)
def test_a_triangle_is_even_at_whole_parts_of_its_half_base(half_base, parts, driving):
    positions = np.array([-half_base, 0.0, half_base])
    assert even(positions, np.array([0.0, 1.0, 0.0]), half_base / parts, driving)[0] < 1e-9


@settings(max_examples=60, deadline=None)
@given(rates, spacings, drivings)
def test_pans_put_between_pans_on_the_straight_line_change_nothing(y, at, driving):
    rate = np.array(y)
    more = np.sort(np.concatenate([EVEN, [-2.9, -0.13, 1.3]]))
    denser = even(more, np.interp(more, EVEN, rate), at, driving)
    assert denser == pytest.approx(even(EVEN, rate, at, driving), abs=1e-9)
