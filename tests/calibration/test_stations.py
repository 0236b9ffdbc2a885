"""Sums of passes at the pans' places."""

import numpy as np
import pytest

from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.pattern import Pattern
from catchpan_service.calibration.stations import station_field
from catchpan_service.calibration.superposition import DRIVINGS


def some_rates(positions, seed=1):
    return np.random.default_rng(seed).uniform(0.1, 1.0, len(positions))


def summed(positions, rate, spacing, driving, at):
    """Sum of passes at points, one interpolation for each."""
    reach = int(np.abs(positions).max() / spacing + at.max() / spacing) + 3
    field = np.zeros_like(at)
    for k in range(-reach, reach + 1):
        away = at - k * spacing
        x = -away if driving == "back_and_forth" and k % 2 else away
        field += np.interp(x, positions, rate, left=0.0, right=0.0)
    return field


def period(spacing, driving):
    return spacing * (2 if driving == "back_and_forth" else 1)


@pytest.mark.parametrize("shift", [0.0, 0.5])
@pytest.mark.parametrize("driving", DRIVINGS)
def test_stations_are_the_summed_passes_at_the_pans(shift, driving):
    positions = np.arange(-5.0, 7.0) + shift
    rate = some_rates(positions)
    pattern = Pattern(positions, rate, None, 1, rate[None])
    for steps in range(1, 14):
        field = station_field(pattern=pattern, spacing=float(steps), driving=driving)
        places = shift + np.arange(len(field))
        assert len(field) == period(steps, driving)
        assert field == pytest.approx(summed(positions, rate, float(steps), driving, places), rel=1e-12)


@pytest.mark.parametrize(
    ("positions", "spacing", "code", "where", "message"),
    [
        ([-1.0, 0.0, 1.1], 1.0, "pans_not_even", ("positions", 1), "pan 2 is off"),
        ([-0.9, 0.1, 1.1], 1.0, "middle_off_stations", ("positions",), "on a pan or midway"),
        ([-1.0, 0.0, 1.0], 1.5, "spacing_off_stations", ("spacings", 0), "Spacing 1 is not a whole number"),
        ([-1.0, 0.0, 1.0], 0.2, "spacing_off_stations", ("spacings", 0), "Spacing 1 is not a whole number"),
    ],
)
def test_stations_refuse_what_does_not_meet(positions, spacing, code, where, message):
    pattern = Pattern(np.array(positions), np.ones(3), None, 1, np.ones((1, 3)))
    with pytest.raises(CalibrationError, match=message) as refused:
        station_field(pattern=pattern, spacing=spacing, driving="one_way")
    assert (refused.value.code, refused.value.where) == (code, where)
    assert refused.value.allowed
