"""Sieve analysis: sizes between sieves."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.granules import granules

SIEVES = [0.004, 0.00335, 0.0028, 0.00236, 0.002, 0.0017, 0.0014, 0.00118, 0.001]
masses = st.lists(st.floats(0.01, 100), min_size=10, max_size=10)


@given(masses)
def test_sizes_are_those_of_numpy_interpolation(weighed):
    shares = np.array(weighed) / sum(weighed)
    retained = np.cumsum(shares[:-1])
    found = granules(openings=SIEVES, shares=shares)
    for share, size in ((0.10, found.d10), (0.50, found.d50), (0.95, found.d95)):
        if retained[0] <= share <= retained[-1]:
            assert float(size) == pytest.approx(np.interp(share, retained, SIEVES), rel=1e-9)
        else:
            assert math.isnan(size)


@given(masses, st.floats(0.1, 10))
def test_larger_granules_are_larger_in_proportion_and_as_uniform(weighed, factor):
    shares = np.array(weighed) / sum(weighed)
    for way in ("linear", "logarithmic"):
        one = granules(openings=SIEVES, shares=shares, interpolation=way)
        other = granules(openings=[size * factor for size in SIEVES], shares=shares, interpolation=way)
        assert float(other.size_guide_number) == pytest.approx(factor * float(one.size_guide_number), nan_ok=True)
        assert float(other.uniformity_index) == pytest.approx(float(one.uniformity_index), nan_ok=True)


def test_both_interpolations_agree_on_a_sieve_and_differ_between():
    shares = [0.10, 0.40, 0.45, 0.05]
    on = [granules(openings=[3, 2, 1], shares=shares, interpolation=way).d50 for way in ("linear", "logarithmic")]
    assert on[0] == pytest.approx(on[1])
    between = [granules(openings=[3, 2, 1], shares=[0.2, 0.2, 0.5, 0.1], interpolation=way).d50
               for way in ("linear", "logarithmic")]  # fmt: skip
    assert between[0] == pytest.approx(1.8)
    assert between[1] == pytest.approx(2 ** (1 - 0.2))


def test_many_analyses_at_once_are_each_by_itself():
    rows = np.array([[0.1, 0.4, 0.45, 0.05], [0.05, 0.5, 0.4, 0.05]])
    together = granules(openings=[3, 2, 1], shares=rows)
    assert together.d50.tolist() == [float(granules(openings=[3, 2, 1], shares=row).d50) for row in rows]


def test_a_size_that_the_sieves_do_not_reach_is_not_guessed():
    found = granules(openings=[3, 2], shares=[0.3, 0.4, 0.3])
    assert math.isnan(found.d10)
    assert math.isnan(found.d95)
    assert [one.code for one in found.findings] == ["sieves_too_few", "sieves_too_few"]


@pytest.mark.parametrize(
    ("openings", "shares", "words"),
    [
        ([3], [0.5, 0.5], "two sieves"),
        ([2, 3], [0.3, 0.3, 0.4], "sieve 2 is not finer"),
        ([3, 0], [0.3, 0.3, 0.4], "sieve 2 is not finer"),
        ([3, 2], [0.3, 0.7], "2 sieves need 3"),
        ([3, 2], [0.3, -0.1, 0.8], "share 2 is no share"),
        ([3, 2], [0.3, 0.3, 0.3], "do not add up"),
        ([3, math.nan], [0.3, 0.3, 0.4], "sieve 2 is not finer"),
    ],
)
def test_what_cannot_be_is_refused(openings, shares, words):
    with pytest.raises(CalibrationError, match=words) as caught:
        granules(openings=openings, shares=shares)
    assert caught.value.allowed


@given(st.lists(st.floats(), max_size=6), st.lists(st.floats(), max_size=7))
def test_anything_is_computed_or_refused(openings, shares):
    try:
        found = granules(openings=openings, shares=shares)
    except CalibrationError:
        return
    assert float(found.d50) > 0 or math.isnan(found.d50)
