"""Which catches make the curve, and what each opening's pooled flow is."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from catchpan_service.calibration.catches import catches, uncertainty_model
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.pooling import pool

EXACT = uncertainty_model(scale_readability=0.0, timer_uncertainty=0.0, repeatability=0.02)


def test_openings_that_differ_by_a_conversion_only_are_one():
    made = catches(opening=[0.3, 0.1 + 0.2, 0.6], mass=[1, 1.02, 3], duration=[30] * 3)
    pools = pool(made, EXACT).pools
    assert [found.opening for found in pools] == [0.3, 0.6]
    assert pools[0].flow == pytest.approx(1.01 / 30)


@given(st.lists(st.floats(0.9, 1.1), min_size=2, max_size=6))
def test_repeats_pool_to_their_mean_with_the_root_of_their_number(factors):
    count = len(factors)
    made = catches(opening=[0.3] * count + [0.6], mass=[*factors, 3.0], duration=[30] * (count + 1))
    first = pool(made, EXACT).pools[0]
    assert first.flow == pytest.approx(np.mean(factors) / 30)
    assert first.standard_deviation / first.flow == pytest.approx(0.02 / math.sqrt(count))


def test_a_catch_with_a_larger_floor_weighs_less():
    coarse = uncertainty_model(scale_readability=0.2, timer_uncertainty=0.0, repeatability=0.001)
    made = catches(opening=[0.3, 0.3, 0.6], mass=[1.0, 4.0, 3.0], duration=[30, 100, 30])
    sizes = 0.2 / math.sqrt(12) / np.array([1.0, 4.0])
    expected = np.average([1.0 / 30, 4.0 / 100], weights=sizes**-2)
    assert pool(made, coarse).pools[0].flow == pytest.approx(expected, rel=1e-12)


def test_the_variance_of_two_sides_is_the_sum_of_theirs():
    made = catches(
        opening=[0.3] * 3 + [0.6] * 2,
        mass=[0.5, 0.5, 0.52, 1.4, 1.5],
        duration=[30] * 5,
        gates=["left", "left", "right", "left", "right"],
    )
    found = pool(made, EXACT)
    assert found.gates == "both"
    assert found.pools[0].flow == pytest.approx((0.5 + 0.52) / 30)
    variance = (0.02 * 0.5 / 30) ** 2 / 2 + (0.02 * 0.52 / 30) ** 2
    assert found.pools[0].standard_deviation == pytest.approx(math.sqrt(variance))


def test_sides_repeat_each_by_itself():
    model = uncertainty_model(scale_readability=0.0, timer_uncertainty=0.0)
    made = catches(
        opening=[0.3] * 4 + [0.6] * 2,
        mass=[0.4, 0.4, 0.6, 0.6, 1.4, 1.5],
        duration=[30] * 6,
        gates=["left", "left", "right", "right", "left", "right"],
    )
    found = pool(made, model).repeatability
    assert found.repeats == 2
    assert found.seen == 0.0


def test_leaving_a_catch_out_is_as_if_it_had_not_been_made():
    made = catches(opening=[0.2, 0.3, 0.3, 0.6], mass=[0.5, 1.0, 1.1, 3.0], duration=[30] * 4)
    without = catches(opening=[0.2, 0.3, 0.6], mass=[0.5, 1.0, 3.0], duration=[30] * 3)
    model = uncertainty_model()
    left, right = pool(made, model, without=2), pool(without, model)
    assert [p.flow for p in left.pools] == [p.flow for p in right.pools]
    assert [p.standard_deviation for p in left.pools] == [p.standard_deviation for p in right.pools]


def test_catches_of_one_side_at_each_opening_make_no_curve():
    made = catches(opening=[0.2, 0.5], mass=[1, 2], duration=[30, 30], gates=["left", "right"])
    with pytest.raises(CalibrationError, match="fewer than two used openings"):
        pool(made, EXACT)
