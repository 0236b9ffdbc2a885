"""Wind, bounce, length of the row and adjustment of a pan test."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.pan_conditions import adjustment, condition_findings, recovered_share
from catchpan_service.calibration.pattern import Pattern, pattern, shape

MPH = 0.44704
POSITIONS = np.linspace(-5.0, 5.0, 21)
RATE = 0.02 * np.clip(1 - np.abs(POSITIONS) / 4.5, 0, None)
LAID = Pattern(POSITIONS, RATE, 0.05, 3, np.tile(RATE, (3, 1)))
EVEN = shape(LAID)


def found(pans=LAID, wind=None, recovered=None):
    adjust = adjustment(pans, shape(pans), spacing=None)
    told = condition_findings(pans, shape(pans), wind=wind, recovered=recovered, adjust=adjust)
    return [(one.code, one.severity) for one in told]


@pytest.mark.parametrize(
    ("mph", "severity"), [(0, None), (5, None), (5.1, "look"), (10, "look"), (10.1, "stop"), (25, "stop")]
)
def test_wind_is_looked_at_above_5_mph_and_stops_above_10(mph, severity):
    assert found(wind=mph * MPH) == ([] if severity is None else [("windy", severity)])


@pytest.mark.parametrize(
    ("share", "severity"), [(1.0, None), (0.86, None), (0.84, "look"), (1.2, "look"), (0.45, "stop"), (1.6, "stop")]
)
def test_a_recovered_share_far_from_one_is_found(share, severity):
    assert found(recovered=share) == ([] if severity is None else [("recovery_off", severity)])


@given(st.floats(0.001, 1.0), st.floats(0.2, 5.0))
def test_pans_under_a_known_flow_recover_all_of_it(flow, speed):
    """The pattern is scaled so that its mass for each length is flow / speed."""
    rate = RATE * flow / speed / EVEN.mass_per_length
    measures = shape(replace(LAID, rate=rate))
    assert recovered_share(measures, flow=flow, speed=speed) == pytest.approx(1.0, rel=1e-9)


def test_nothing_is_recovered_without_flow_and_speed():
    assert recovered_share(EVEN, flow=None, speed=None) is None
    for missing, given_values in (("speed", {"flow": 0.1, "speed": None}), ("flow", {"flow": None, "speed": 1.0})):
        with pytest.raises(CalibrationError, match="together") as refused:
            recovered_share(EVEN, **given_values)
        assert refused.value.where == (missing,)


@pytest.mark.parametrize(
    ("call", "where"),
    [
        (lambda: recovered_share(EVEN, flow=0.0, speed=1.0), ("flow",)),
        (lambda: recovered_share(EVEN, flow=0.1, speed=np.nan), ("speed",)),
        (lambda: found(wind=-1.0), ("wind",)),
        (lambda: adjustment(LAID, EVEN, spacing=4.0, wanted_spacing=0.0), ("wanted_spacing",)),
        (lambda: adjustment(LAID, EVEN, spacing=4.0, impeller_speed=-3.0), ("impeller_speed",)),
    ],
)
def test_conditions_that_cannot_be_are_refused(call, where):
    with pytest.raises(CalibrationError) as refused:
        call()
    assert refused.value.where == where
    assert refused.value.allowed


def test_a_short_row_is_found_only_where_it_ends_in_the_throw():
    short = np.abs(POSITIONS) <= 2.5
    cut = Pattern(POSITIONS[short], RATE[short], 0.05, 3, RATE[None, short])
    assert found(cut) == [("row_too_short", "look")]
    box = Pattern(np.array([-2.1, -2.0, 0.0, 2.0, 2.1]), np.array([0, 1.0, 1, 1, 0]), 0.0, 3, np.ones((3, 5)))
    assert found(box) == []


def test_shift_brings_the_centroid_to_the_middle():
    moved = replace(LAID, position=POSITIONS + 0.4)
    assert adjustment(moved, shape(moved), spacing=None).shift == pytest.approx(-0.4, rel=1e-9)
    assert found(moved) == [("pattern_off_middle", "note")]
    one_row = replace(moved, noise=None, rows=1)
    assert adjustment(one_row, shape(one_row), spacing=None).shift_uncertainty is None
    assert found(one_row) == []


def test_uncertainty_of_the_shift_is_that_of_many_noisy_tests():
    rng = np.random.default_rng(6)
    offsets, told = [], []
    for _ in range(1500):
        rows = RATE * (1 + 0.08 * rng.normal(size=(3, len(RATE))))
        test = pattern(positions=POSITIONS, masses=rows, passes=[1] * 3, headings=["same"] * 3, pan_area=1.0)
        made = adjustment(test, shape(test), spacing=None)
        offsets.append(made.shift)
        told.append(made.shift_uncertainty)
    assert np.mean(told) == pytest.approx(np.std(offsets), rel=0.06)


def test_impeller_speed_follows_throw_to_the_power():
    made = adjustment(LAID, EVEN, spacing=4.0, wanted_spacing=5.0, impeller_speed=8.0)
    assert made.impeller_factor == pytest.approx(1.25 ** (1 / 0.8), rel=1e-12)
    assert made.impeller_speed == pytest.approx(8.0 * made.impeller_factor, rel=1e-12)
    assert made.impeller_factor_low == pytest.approx(1.25 ** (1 / 1.2), rel=1e-12)
    assert made.impeller_factor_high == pytest.approx(1.25 ** (1 / 0.4), rel=1e-12)
    slower = adjustment(LAID, EVEN, spacing=5.0, wanted_spacing=4.0)
    assert slower.impeller_factor_low < slower.impeller_factor < slower.impeller_factor_high < 1
    assert adjustment(LAID, EVEN, spacing=None, wanted_spacing=4.0).impeller_factor is None


@given(st.floats(-1.0, 1.0))
def test_mirroring_turns_the_shift_round(offset):
    there, back = (replace(LAID, position=POSITIONS + sign * offset) for sign in (1, -1))
    one, other = adjustment(there, shape(there), spacing=None), adjustment(back, shape(back), spacing=None)
    assert one.shift == pytest.approx(-other.shift, abs=1e-12)
    assert one.shift_uncertainty == pytest.approx(other.shift_uncertainty, rel=1e-9)
