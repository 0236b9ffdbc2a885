"""Amounts for an area."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from catchpan_service.calibration.amounts import amounts, boom_flow, work_rate
from catchpan_service.calibration.errors import CalibrationError

above = st.floats(1e-3, 1e3)


@given(st.floats(0.01, 0.9), above, above)
def test_a_rate_of_a_nutrient_is_the_rate_of_product_that_holds_it(share, wanted, area):
    found = amounts(area=area, shares={"potash": share}, nutrient="potash", nutrient_rate=wanted)
    again = amounts(area=area, shares={"potash": share}, rate=found.rate)
    assert again.nutrients["potash"] == pytest.approx(wanted)
    assert found.mass == pytest.approx(found.rate * area)


@given(above, above, above)
def test_bags_are_opened_whole_and_paid_by_use(rate, area, bag):
    found = amounts(area=area, shares={}, rate=rate, bag_mass=bag, bag_price=30.0)
    assert found.bags * bag == pytest.approx(found.mass)
    assert 0 <= found.whole_bags - found.bags + 1e-9 < 1 + 2e-9
    assert found.cost == pytest.approx(30 * found.bags)


def test_an_exact_count_of_bags_opens_no_further_one():
    assert amounts(area=10, shares={}, rate=1.0, bag_mass=2.5).whole_bags == 4


@given(above, above, st.floats(0.01, 1))
def test_half_the_efficiency_takes_twice_the_time(width, speed, efficiency):
    whole = work_rate(width=width, speed=speed, efficiency=efficiency)
    assert work_rate(width=width, speed=speed, efficiency=efficiency / 2) == pytest.approx(whole / 2)


def test_twice_the_speed_halves_what_a_boom_lays():
    # NC State, calibration of turfgrass boom sprayers: 3 mph 20 GPA is 6 mph 10 GPA
    assert boom_flow(volume_per_area=20, width=2, speed=3) == boom_flow(volume_per_area=10, width=2, speed=6)


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"area": 0}, "area"),
        ({"rate": math.inf}, "rate"),
        ({"rate": None}, "either"),
        ({"nutrient": "nitrogen"}, "either"),
        ({"rate": None, "nutrient": "potash", "nutrient_rate": 1.0}, "holds no potash"),
        ({"rate": None, "nutrient": "nitrogen", "nutrient_rate": -1.0}, "nutrient_rate"),
        ({"shares": {"nitrogen": 0.7, "potash": 0.4}}, "more nutrients than it weighs"),
        ({"shares": {"nitrogen": math.nan}}, "no share"),
        ({"bag_mass": 0.0}, "bag_mass"),
    ],
)
def test_what_cannot_be_is_refused(wrong, words):
    with pytest.raises(CalibrationError, match=words):
        amounts(**{"area": 1.0, "shares": {"nitrogen": 0.2}, "rate": 1.0} | wrong)


@pytest.mark.parametrize("wrong", [{"width": 0}, {"speed": -1}, {"efficiency": 0}, {"efficiency": 1.1}])
def test_a_work_rate_that_cannot_be_is_refused(wrong):
    with pytest.raises(CalibrationError):
        work_rate(**{"width": 1, "speed": 1, "efficiency": 0.5} | wrong)
