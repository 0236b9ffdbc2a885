"""Ground speed over a course."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.ground_speed import ground_speed

times = st.lists(st.floats(5, 100), min_size=7, max_size=12).filter(lambda runs: np.std(runs) > 1e-3)
"""So many runs tell their own scatter."""


@given(times)
def test_the_uncertainty_is_that_of_the_uncertainties_package(durations):
    found = ground_speed(distance=60, durations=durations, timer_uncertainty=0.0)
    mean, deviation = np.mean(durations), np.std(durations, ddof=1)
    peer = ufloat(60, 60 * 0.003) / ufloat(mean, deviation / np.sqrt(len(durations)))
    assert found.speed == pytest.approx(peer.nominal_value)
    assert found.standard_uncertainty == pytest.approx(peer.std_dev, rel=1e-9)


def test_the_interval_holds_the_truth_19_times_in_20():
    rng, held = np.random.default_rng(7), 0
    for _ in range(2000):
        course = 60 * (1 + 0.003 * rng.standard_normal())
        found = ground_speed(distance=60, durations=course / 1.5 * (1 + 0.02 * rng.standard_normal(4)))
        held += found.interval[0] <= 1.5 <= found.interval[1]
    assert 0.925 < held / 2000 < 0.98


@pytest.mark.parametrize("runs", [[40.0, 40.0], [40.0, 40.001, 40.0]])
def test_few_runs_that_agree_by_chance_do_not_make_a_speed_sure(runs):
    found = ground_speed(distance=60, durations=runs)
    assumed = np.sqrt(5 / (4 + len(runs))) * 0.02 / np.sqrt(len(runs))
    assert found.standard_uncertainty / found.speed == pytest.approx(np.hypot(assumed, 0.003), rel=1e-4)
    assert found.degrees_of_freedom >= 5


def test_twice_the_distance_in_the_same_time_is_twice_the_speed():
    one, other = (ground_speed(distance=d, durations=[30, 31], pulses=[100, 101]) for d in (50, 100))
    assert other.speed == pytest.approx(2 * one.speed)
    assert other.pulses_per_metre == pytest.approx(one.pulses_per_metre / 2)


def test_a_controller_that_differs_is_found_and_one_that_agrees_is_not():
    def codes(shown):
        return [
            one.code for one in ground_speed(distance=60, durations=[40, 40.2, 39.8], controller_speed=shown).findings
        ]

    assert codes(1.5) == []
    assert codes(1.6) == ["speed_differs"]
    found = ground_speed(distance=60, durations=[40], pulses=[412], controller_pulses_per_metre=6.5)
    assert found.pulse_difference == pytest.approx(412 / 60 / 6.5 - 1)
    assert [one.code for one in found.findings] == ["speed_differs"]


@pytest.mark.parametrize(
    ("wrong", "where"),
    [
        ({"distance": 0}, ("distance",)),
        ({"durations": []}, ("durations",)),
        ({"durations": [40, -1]}, ("durations", 1)),
        ({"durations": [math.nan]}, ("durations", 0)),
        ({"pulses": [1, 2]}, ("pulses",)),
        ({"pulses": [0]}, ("pulses", 0)),
        ({"controller_speed": math.inf}, ("controller_speed",)),
        ({"course_uncertainty": -1}, ("course_uncertainty",)),
    ],
)
def test_what_cannot_be_is_refused(wrong, where):
    with pytest.raises(CalibrationError) as caught:
        ground_speed(**{"distance": 60, "durations": [40]} | wrong)
    assert caught.value.where == where
    assert caught.value.allowed
