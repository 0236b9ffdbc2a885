"""Gate stops: openings to positions and back."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.gate_stops import gate_stops

shares, places = st.floats(0, 1), st.floats(-1e4, 1e4)


@given(places, places.filter(lambda one: abs(one) > 1), shares)
def test_an_opening_comes_back_from_its_position(closed, reach, opening):
    there = gate_stops(closed=closed, open_=closed + reach, openings=[opening]).positions
    back = gate_stops(closed=closed, open_=closed + reach, positions=there).openings
    assert back[0] == pytest.approx(opening, abs=1e-9)


def test_the_stops_are_0_and_1_also_for_an_actuator_that_runs_the_other_way():
    for closed, open_ in ((210, 905), (905, 210)):
        found = gate_stops(closed=closed, open_=open_, openings=[0, 1], positions=[closed, open_])
        assert found.positions.tolist() == [closed, open_]
        assert found.openings.tolist() == [0, 1]


def test_backlash_and_a_moved_stop_are_found_beyond_the_tolerance_only():
    tight = gate_stops(closed=0, open_=1000, from_below=400, from_above=404, previous_closed=-4, previous_open=1000)
    assert tight.findings == ()
    assert tight.backlash == pytest.approx(0.004)
    loose = gate_stops(closed=0, open_=1000, from_below=400, from_above=406, previous_closed=-8, previous_open=1000)
    assert [one.code for one in loose.findings] == ["backlash", "stop_moved"]
    assert loose.closed_moved == pytest.approx(8 / 1008)
    assert loose.open_moved == 0


@pytest.mark.parametrize(
    ("wrong", "where"),
    [
        ({"open_": 0}, ("open",)),
        ({"closed": math.nan}, ("closed",)),
        ({"openings": [0.5, 1.2]}, ("openings", 1)),
        ({"positions": [math.inf]}, ("positions", 0)),
        ({"from_below": 3}, ("from_above",)),
        ({"previous_open": 3}, ("previous_closed",)),
        ({"previous_closed": 3, "previous_open": 3}, ("previous_open",)),
        ({"tolerance": 0}, ("tolerance",)),
    ],
)
def test_what_cannot_be_is_refused(wrong, where):
    with pytest.raises(CalibrationError) as caught:
        gate_stops(**{"closed": 0, "open_": 1000} | wrong)
    assert caught.value.where == where
    assert caught.value.allowed
