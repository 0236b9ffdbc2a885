"""Balance of the sides, impeller speed by tachometer, and the scale against a check weight."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from catchpan_service.calibration.commissioning import balance, impeller_speeds, scale_error
from catchpan_service.calibration.errors import CalibrationError

MASS = st.floats(0.1, 50)


def codes(found):
    return [one.code for one in found.findings]


def test_sides_that_differ_by_more_than_a_twentieth_of_their_mean_are_out_of_balance():
    assert codes(balance(left=[1.024, 5.1], right=[0.976, 5.1])) == []
    found = balance(left=[1.0, 1.03], right=[1.0, 0.97])
    assert codes(found) == ["gates_out_of_balance"]
    assert found.findings[0].where == ("left", 1)
    assert "6.0 %" in found.findings[0].what


@given(MASS, MASS)
def test_the_sides_share_all_that_fell_and_changing_them_changes_nothing_else(left, right):
    one, other = balance(left=[left], right=[right]), balance(left=[right], right=[left])
    assert one.values[0] + other.values[0] == pytest.approx(1)
    assert codes(one) == codes(other)


def test_a_panel_that_shows_two_in_a_hundred_too_much_is_found():
    found = impeller_speeds(panel=[10.0, 10.3], tachometer=[10.0, 10.0])
    assert found.values.tolist() == pytest.approx([0, 0.03])
    assert codes(found) == ["impeller_speed_differs"]


def test_a_scale_in_the_wrong_unit_and_one_that_is_off_are_found():
    assert codes(scale_error(shown=[5.02], weight=[5.0])) == []
    assert scale_error(shown=[11.023], weight=[5.0]).values[0] == pytest.approx(2.2046 - 1, rel=1e-4)
    assert codes(scale_error(shown=[5.03], weight=[5.0])) == ["scale_off"]


@pytest.mark.parametrize(
    ("compute", "arguments", "where"),
    [
        (balance, {"left": [0], "right": [0]}, ("left", 0)),
        (balance, {"left": [1], "right": [-1]}, ("right", 0)),
        (balance, {"left": [1, 2], "right": [1]}, ("right",)),
        (impeller_speeds, {"panel": [10], "tachometer": [0]}, ("tachometer", 0)),
        (impeller_speeds, {"panel": [np.nan], "tachometer": [10]}, ("panel", 0)),
        (scale_error, {"shown": [1], "weight": []}, ("weight",)),
    ],
)
def test_what_cannot_be_weighed_or_turn_is_refused_by_its_place(compute, arguments, where):
    with pytest.raises(CalibrationError) as refused:
        compute(**arguments)
    assert refused.value.where == where
    assert refused.value.allowed
