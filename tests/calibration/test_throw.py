"""Throw by impeller speed: the fit, its intervals, its inverse, what it refuses and what it finds."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.throw import (
    EXPONENT,
    EXPONENT_UNCERTAINTY,
    speed_for,
    throw_at,
    throw_findings,
    throw_law,
)
from tests.studies import throws

SPEED = np.array([5.0, 6.0, 7.0, 8.0, 9.0, 10.0])
THROW = 0.7 * SPEED**0.8

speeds = st.lists(st.integers(30, 200), min_size=3, max_size=9, unique=True).map(lambda s: np.array(s) / 10)


def noisy(rng, spread=0.1524):
    return np.maximum(THROW + rng.normal(0, spread, len(SPEED)), 0.3)


def codes(*laws, extrapolated=False):
    return [(one.code, one.severity) for one in throw_findings(*laws, extrapolated=extrapolated)]


@given(speeds, st.floats(0.3, 1.2), st.floats(0.1, 3.0))
def test_a_power_law_is_found_again(speed, exponent, scale):
    law = throw_law(speed=speed, throw=scale * speed**exponent)
    assert law.exponent == pytest.approx(exponent, abs=1e-9)
    assert throw_at(law, speed=[4.4]).value[0] == pytest.approx(scale * 4.4**exponent, rel=1e-9)
    assert law.chi_square == pytest.approx(0, abs=1e-9)


def test_the_fit_is_the_weighted_least_squares_of_numpy():
    rng = np.random.default_rng(3)
    throw, u = noisy(rng), rng.uniform(0.05, 0.3, len(SPEED))
    law = throw_law(speed=SPEED, throw=throw, uncertainty=u)
    centred = np.log(SPEED / law.reference_speed)
    fitted, covariance = np.polyfit(centred, np.log(throw), 1, w=throw / u, cov="unscaled")
    assert (law.exponent, math.log(law.scale)) == pytest.approx(tuple(fitted), rel=1e-9)
    pooled = (8 + law.chi_square) / (8 + 4)
    assert law.covariance == pytest.approx(covariance[::-1, ::-1] * pooled, rel=1e-9)


def test_the_inverse_undoes_the_law_and_its_ends_lie_on_the_interval():
    law = throw_law(speed=SPEED, throw=noisy(np.random.default_rng(4)))
    wanted = speed_for(law, throw=[3.0, 4.0])
    assert throw_at(law, speed=wanted.value).value == pytest.approx([3.0, 4.0], rel=1e-12)
    assert throw_at(law, speed=wanted.low).high == pytest.approx([3.0, 4.0], rel=1e-9)
    assert throw_at(law, speed=wanted.high).low == pytest.approx([3.0, 4.0], rel=1e-9)


def test_a_stated_95_per_cent_holds():
    """500 invented sessions with the error that is stated; for throw and for speed."""
    rng = np.random.default_rng(5)
    held = np.zeros(2)
    for _ in range(500):
        law = throw_law(speed=SPEED, throw=noisy(rng))
        at, wanted = throw_at(law, speed=[7.7]), speed_for(law, throw=[0.7 * 7.7**0.8])
        held += [at.low[0] <= 0.7 * 7.7**0.8 <= at.high[0], wanted.low[0] <= 7.7 <= wanted.high[0]]
    assert held / 500 == pytest.approx([0.95, 0.95], abs=0.025)


def test_one_speed_takes_the_assumed_growth_and_says_so():
    law = throw_law(speed=[7.0, 7.0], throw=[3.0, 3.2])
    assert law.exponent_assumed
    assert (law.exponent, law.covariance[1, 1]) == pytest.approx((EXPONENT, EXPONENT_UNCERTAINTY**2), rel=0.1)
    assert codes(law, None) == [("throw_growth_assumed", "note")]


def test_the_assumed_growth_is_that_of_flight():
    found = throws.study()
    there = found[np.isfinite(found)]
    assert np.median(there) == pytest.approx(EXPONENT, abs=0.05)
    assert np.mean(np.abs(there - EXPONENT) <= 2 * EXPONENT_UNCERTAINTY) > 0.93


def test_a_repeat_halves_the_variance_of_the_level():
    once, twice = (throw_law(speed=np.tile(SPEED, n), throw=np.tile(THROW, n), reading_weight=1e6) for n in (1, 2))
    assert twice.covariance == pytest.approx(once.covariance / 2, rel=1e-4)


@given(speeds, st.floats(0.2, 5.0))
def test_other_units_change_nothing_but_the_scale(speed, factor):
    throw = 0.7 * speed**0.8 * (1 + 0.05 * np.sin(speed))
    one = throw_law(speed=speed, throw=throw, uncertainty=0.1)
    other = throw_law(speed=speed, throw=throw * factor, uncertainty=0.1 * factor)
    assert other.exponent == pytest.approx(one.exponent, rel=1e-9, abs=1e-9)
    assert other.covariance == pytest.approx(one.covariance, rel=1e-6)


def test_what_lies_outside_the_observed_is_marked():
    law = throw_law(speed=SPEED, throw=THROW)
    assert throw_at(law, speed=[4.9, 5.0, 10.0, 10.1]).extrapolated.tolist() == [True, False, False, True]
    assert speed_for(law, throw=[2.0, 3.0]).extrapolated.tolist() == [True, False]
    assert codes(law, None, extrapolated=True) == [("outside_throws", "note")]


def test_throws_that_do_not_grow_bound_no_speed():
    law = throw_law(speed=[6.0, 7.0, 8.0], throw=[3.0, 3.01, 3.0])
    found = speed_for(law, throw=[3.0])
    assert np.isnan([found.low[0], found.high[0]]).all()
    falling = speed_for(throw_law(speed=[6.0, 7.0, 8.0], throw=[3.4, 3.2, 3.0]), throw=[3.0])
    assert np.isnan(falling.value[0])
    assert codes(law, None) == [("throw_not_rising", "look")]


def test_sides_that_differ_are_found_and_equal_ones_are_not():
    one, longer = throw_law(speed=SPEED, throw=THROW), throw_law(speed=SPEED, throw=1.2 * THROW)
    assert codes(one, one) == []
    assert codes(longer, one) == [("sides_differ", "look")]
    assert "left is 20% longer" in throw_findings(longer, one, extrapolated=False)[0].what


@pytest.mark.parametrize(
    ("changes", "code", "where", "message"),
    [
        ({"speed": []}, "wrong_shape", ("speed",), "shape"),
        ({"speed": [5.0, 0.0, 7.0]}, "bad_speed", ("speed", 1), "above zero"),
        ({"speed": [5.0, 6.0]}, "wrong_shape", ("throw",), "every speed needs its throw"),
        ({"throw": [3.0, math.nan, 4.0]}, "bad_throw", ("throw", 1), "throw"),
        ({"throw": [3.0, -1.0, 4.0]}, "bad_throw", ("throw", 1), "throw"),
        ({"uncertainty": 0.0}, "bad_uncertainty", ("uncertainty", 0), "above zero"),
        ({"uncertainty": [0.1, 0.1]}, "wrong_shape", ("uncertainty",), "its uncertainty"),
        ({"reading_weight": -1.0}, "bad_reading_weight", ("reading_weight",), "0 or above"),
        ({"speed": [5.0], "throw": [2.0], "reading_weight": 0.0}, "too_few_throws", ("throw",), "so few"),
    ],
)
def test_throws_that_cannot_be_are_refused(changes, code, where, message):
    with pytest.raises(CalibrationError, match=message) as refused:
        throw_law(**({"speed": [5.0, 6.0, 7.0], "throw": [3.0, 3.5, 4.0]} | changes))
    assert (refused.value.code, refused.value.where) == (code, where)
    assert refused.value.allowed


@given(
    st.lists(st.floats(), max_size=4),
    st.lists(st.floats(), max_size=4),
    st.lists(st.floats(), max_size=3) | st.floats(),
)
def test_any_arrays_are_computed_or_refused(speed, throw, uncertainty):
    try:
        law = throw_law(speed=speed, throw=throw, uncertainty=uncertainty)
    except CalibrationError:
        return
    assert np.isfinite(law.covariance).all()
    assert np.isfinite(throw_at(law, speed=[3.0]).value).all()
    assert speed_for(law, throw=[3.0]).value.shape == (1,)
