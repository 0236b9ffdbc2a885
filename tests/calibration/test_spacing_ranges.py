"""All ranges of spacing within a limit: against closed forms and against looking everywhere."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from catchpan_service.calibration.pattern import Pattern
from catchpan_service.calibration.spacing_ranges import (
    SEARCH_CEILING_SHARE,
    SEARCH_FLOOR_SHARE,
    joined,
    search,
)
from catchpan_service.calibration.superposition import DRIVINGS, superpose

EVEN = np.linspace(-3.0, 3.0, 13)
ON_NONE = np.sort(np.concatenate([[-3.7, 0.1], np.random.default_rng(5).uniform(-3.5, 3.5, 9)]))

rates = st.lists(st.floats(0, 1).map(lambda x: round(x, 3)), min_size=13, max_size=13).filter(lambda y: sum(y) > 1)


def laid(positions, rates):
    position, rate = np.array(positions, dtype=float), np.array(rates, dtype=float)
    return Pattern(position, rate, None, 1, rate[None])


def cv(pattern, spacings, driving):
    return superpose(positions=pattern.position, rate=pattern.rate, spacings=spacings, driving=driving).cv


def assert_ranges_hold(pattern, driving, limit, found):
    """Ends lie on the limit or at the ends of the search, and a fine look finds nothing else."""
    width = np.ptp(pattern.position)
    floor, ceiling = SEARCH_FLOOR_SHARE * width, SEARCH_CEILING_SHARE * width
    ends = np.array([end for both in found for end in both if floor < end < ceiling])
    if len(ends):
        assert np.abs(cv(pattern, ends, driving) - limit).max() < 1e-7
    at = np.random.default_rng(1).uniform(floor, ceiling, 1500)
    clear = np.array([np.abs(ends - s).min(initial=np.inf) > 1e-6 for s in at])
    inside = np.array([any(low <= s <= high for low, high in found) for s in at])
    assert np.array_equal(inside[clear], cv(pattern, at, driving)[clear] <= limit)


@pytest.mark.parametrize("driving", DRIVINGS)
@pytest.mark.parametrize("limit", [0.05, 0.15, 0.25, 0.5])
def test_end_of_the_range_of_a_triangle(limit, driving):
    """Beyond the half base L, CV^2 + 1 = s (2/3 + (2 - s)^3 / 3) with s = spacing / L up to 2."""
    expected = 4 * brentq(lambda s: s * (2 / 3 + (2 - s) ** 3 / 3) - 1 - limit**2, 1, 2, xtol=1e-15)
    found = search(laid([-4, 0, 4], [0, 1, 0]), driving, limit)
    assert found.ranges[-1][1] == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("driving", DRIVINGS)
def test_ranges_of_a_rectangle_are_apart(driving):
    """CV^2 = (w - 1) (2 - w) / w^2 with w = width / spacing between 1 and 2, and 1/w - 1 below 1."""
    found = search(laid([-5, 0, 5], [1, 1, 1]), driving, 0.15)
    low, high = ((3 + sign * math.sqrt(9 - 8 * 1.0225)) / (2 * 1.0225) for sign in (1, -1))
    assert found.ranges[-1] == pytest.approx((10 / high, 10 * 1.0225), abs=1e-9)
    assert found.ranges[-2][1] == pytest.approx(10 / low, abs=1e-9)


@settings(max_examples=25, deadline=None)
@given(rates, st.sampled_from(DRIVINGS), st.floats(0.05, 0.6))
def test_no_range_is_missed_on_even_pans(y, driving, limit):
    pattern = laid(EVEN, y)
    assert_ranges_hold(pattern, driving, limit, search(pattern, driving, limit).ranges)


@settings(max_examples=15, deadline=None)
@given(rates, st.sampled_from(DRIVINGS), st.floats(0.05, 0.6))
def test_no_range_is_missed_where_the_middle_is_off_the_pans(y, driving, limit):
    pattern = laid(EVEN + 0.19, y)
    assert_ranges_hold(pattern, driving, limit, search(pattern, driving, limit).ranges)


@pytest.mark.parametrize("driving", DRIVINGS)
@pytest.mark.parametrize("seed", range(4))
def test_ranges_hold_where_pans_lie_on_no_lattice(seed, driving):
    pattern = laid(ON_NONE, np.random.default_rng(seed).uniform(0.1, 1, len(ON_NONE)))
    assert_ranges_hold(pattern, driving, 0.2, search(pattern, driving, 0.2).ranges)


@settings(max_examples=25, deadline=None)
@given(rates, st.sampled_from(DRIVINGS), st.floats(0.05, 0.4))
def test_a_larger_limit_holds_every_range_of_a_smaller_one(y, driving, limit):
    tight, loose = (search(laid(EVEN, y), driving, limit * factor).ranges for factor in (1.0, 1.5))
    for low, high in tight:
        assert any(wide_low <= low + 1e-9 and high - 1e-9 <= wide_high for wide_low, wide_high in loose)


@settings(max_examples=25, deadline=None)
@given(rates, st.sampled_from(DRIVINGS), st.floats(0.1, 10))
def test_ranges_scale_with_the_ground(y, driving, factor):
    near, far = (search(laid(size * EVEN, y), driving, 0.2137).ranges for size in (1.0, factor))
    assert np.ravel(far) == pytest.approx(factor * np.ravel(near), rel=1e-6)


def test_neighbouring_intervals_are_joined():
    low, high = np.array([0.0, 1, 2, 3, 4]), np.array([1.0, 2, 3, 4, 5])
    assert joined(low, high, np.array([True, True, False, True, False])) == ((0.0, 2.0), (3.0, 4.0))
    assert joined(low, high, np.zeros(5, dtype=bool)) == ()
