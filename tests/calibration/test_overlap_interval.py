"""How far pan noise leaves CV and spacing open: against simulation, exact noise sums, and what must not matter."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catchpan_service.calibration.overlap import overlap
from catchpan_service.calibration.overlap_interval import Bounds, cv_bounds
from catchpan_service.calibration.pattern import Pattern, pattern, trapezoid_weights
from catchpan_service.calibration.superposition import DRIVINGS, superpose
from tests.studies import pans

POSITIONS = np.linspace(-6.0, 6.0, 25)
BELL = 0.02 * np.exp(-((np.abs(POSITIONS) / 2.6) ** 3)) * (np.abs(POSITIONS) < 6)
AT = np.array([2.0, 3.5, 5.0, 7.0])


def laid(noise, rows=3, rate=BELL, positions=POSITIONS):
    return Pattern(positions, rate, noise, rows, np.tile(rate, (rows, 1)))


def weighed(rng, noise, rows=3):
    masses = BELL * (1 + noise * rng.normal(size=(rows, len(BELL))))
    return pattern(positions=POSITIONS, masses=masses, passes=[1] * rows, headings=["same"] * rows, pan_area=1.0)


@pytest.mark.parametrize("driving", DRIVINGS)
def test_without_noise_the_bounds_are_the_cv(driving):
    bounds = cv_bounds(laid(0.0), spacings=AT, driving=driving)
    cv = superpose(positions=POSITIONS, rate=BELL, spacings=AT, driving=driving).cv
    assert bounds.low == pytest.approx(cv, abs=1e-9)
    assert bounds.high == pytest.approx(cv, abs=1e-9)


@pytest.mark.parametrize("driving", DRIVINGS)
def test_middle_of_the_bounds_has_the_noise_taken_off(driving):
    """The CV² of noisy rows, on average over 3,000, less what the bounds take off, is that of the true pans."""
    rng, at = np.random.default_rng(2), np.array([3.0, 4.2])
    rows = BELL * (1 + 0.1 / np.sqrt(3) * rng.normal(size=(3000, len(BELL))))
    seen = np.array([superpose(positions=POSITIONS, rate=row, spacings=at, driving=driving).cv for row in rows])
    true = superpose(positions=POSITIONS, rate=BELL, spacings=at, driving=driving).cv
    added = (seen**2).mean(axis=0) - true**2
    bounds = cv_bounds(laid(0.1), spacings=at, driving=driving)
    middle = (bounds.low + bounds.high) / 2
    spread = seen.std(axis=0)
    assert true**2 - middle**2 == pytest.approx(added - spread**2, abs=0.35 * float(added.max()))
    assert (added > 0).all()


def test_the_spread_is_that_of_many_noisy_rows():
    """Where CV is large beside the noise, half the interval is t times the standard deviation of CV over rows."""
    rng, at = np.random.default_rng(3), np.array([6.0, 8.0])
    rows = BELL * (1 + 0.05 / np.sqrt(3) * rng.normal(size=(3000, len(BELL))))
    seen = np.array([superpose(positions=POSITIONS, rate=row, spacings=at, driving="one_way").cv for row in rows])
    bounds = cv_bounds(laid(0.05, rows=2000), spacings=at, driving="one_way")  # so many rows that t is 1.96
    half = (bounds.high - bounds.low) / 2 * np.sqrt(2000 / 3)
    assert half / 1.96 == pytest.approx(seen.std(axis=0), rel=0.05)


def test_intervals_hold_in_the_study_with_three_rows():
    found = pans.study(120, rows=3, noise=0.06)
    assert found.cv.min() >= 0.90
    assert found.widest >= 0.90


def test_rows_that_lie_to_the_side_are_beyond_the_intervals():
    """What the study shows openly: no scatter of single pans tells of rows that are shifted whole."""
    assert pans.study(80, rows=3, noise=0.03, kind="shifted rows").cv.min() < 0.85


def test_more_rows_of_the_same_noise_narrow_the_interval():
    widths = [np.ptp([b.low, b.high], axis=0) for b in
              (cv_bounds(laid(0.1, rows), spacings=AT, driving="one_way") for rows in (2, 4, 16))]  # fmt: skip
    assert (widths[0] > widths[1]).all()
    assert (widths[1] > widths[2]).all()


def test_one_row_has_no_interval():
    one = Pattern(POSITIONS, BELL, None, 1, BELL[None])
    assert cv_bounds(one, spacings=AT, driving="one_way") is None
    answer = overlap(one, spacings=AT).by_driving["one_way"]
    assert (answer.bounds, answer.widest_interval) == (None, (None, None))


def test_stations_have_no_interval():
    stations = overlap(laid(0.05), evaluation="stations", spacings=np.array([4.0]))
    assert stations.by_driving["one_way"].bounds is None


def test_spacing_interval_closes_on_the_spacing_as_noise_goes():
    loud, faint = (overlap(laid(noise)).by_driving["one_way"] for noise in (0.08, 1e-6))
    low, high = loud.widest_interval
    assert low < loud.widest_spacing < high
    assert faint.widest_interval == pytest.approx((faint.widest_spacing,) * 2, abs=0.02)


def test_recommended_interval_is_not_above_half_the_throw():
    answer = overlap(laid(0.08))
    half_throw = (answer.shape.throw_left + answer.shape.throw_right) / 2
    assert answer.by_driving["one_way"].recommended_interval[1] <= half_throw


def test_ranges_of_bounds_by_hand():
    bounds = Bounds(np.array([1.0, 2.0, 3.0, 4.0]), np.array([0.0, 0.0, 0.2, 0.0]), np.array([0.1, 0.3, 0.3, 0.3]))
    assert bounds.ranges(0.09, sure=True) == ()
    assert bounds.ranges(0.2, sure=True) == ((1.0, 1.5),)
    (first, second) = bounds.ranges(0.1, sure=False)
    assert first == pytest.approx((1.0, 2.5))
    assert second == pytest.approx((3.5, 4.0))


@settings(max_examples=40, deadline=None)
@given(st.floats(1e-3, 1e3), st.floats(1e-2, 1e2), st.floats(0.01, 0.2))
def test_units_do_not_matter(mass, length, noise):
    one = cv_bounds(laid(noise), spacings=AT, driving="back_and_forth")
    other = cv_bounds(
        laid(noise, rate=BELL * mass, positions=POSITIONS * length), spacings=AT * length, driving="back_and_forth"
    )
    assert other.low == pytest.approx(one.low, rel=1e-6, abs=1e-7)
    assert other.high == pytest.approx(one.high, rel=1e-6, abs=1e-7)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0, 1).map(lambda x: round(x, 3)), min_size=25, max_size=25).filter(lambda y: sum(y) > 2))
def test_mirroring_changes_no_bound(rates):
    rate = np.array(rates)
    for driving in DRIVINGS:
        there, back = (cv_bounds(laid(0.1, rate=one), spacings=AT, driving=driving) for one in (rate, rate[::-1]))
        assert back.low == pytest.approx(there.low, abs=1e-7)
        assert back.high == pytest.approx(there.high, abs=1e-7)
        cv = superpose(positions=POSITIONS, rate=rate, spacings=AT, driving=driving).cv
        assert (there.low <= cv + 1e-9).all()
        assert (there.low <= there.high).all()


def test_noise_of_rows_is_found_without_bias_and_with_its_degrees_of_freedom():
    """1,500 tests of three rows: the mean of noise² is that put in, and its scatter that of chi-square."""
    rng = np.random.default_rng(7)
    tests = [weighed(rng, 0.08) for _ in range(1500)]
    square = np.array([test.noise for test in tests]) ** 2 / 0.08**2
    assert square.mean() == pytest.approx(1.0, abs=0.02)
    assert 2 / square.var() == pytest.approx(np.mean([test.noise_freedom for test in tests]), rel=0.15)


def test_trapezoid_weights_integrate_as_numpy():
    x = np.array([-2.0, -0.5, 0.0, 3.0])
    assert trapezoid_weights(x) @ np.cos(x) == pytest.approx(np.trapezoid(np.cos(x), x), rel=1e-12)
