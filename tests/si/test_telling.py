"""Quantities to SI and back."""

import numpy as np
import pytest

from catchpan.contract.ground_speeds import GroundSpeedRequest
from catchpan.quantities import Length, Lengths, Times
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.si.machines import solve_ground_speed
from catchpan_service.si.telling import Telling, array


def test_a_value_beyond_all_numbers_is_infinite_and_refused_by_the_computation():
    times = Times([1e308, 10.0], "h")
    assert array(times).tolist() == [np.inf, 36000.0]
    with pytest.raises(CalibrationError) as caught:
        solve_ground_speed(GroundSpeedRequest(distance=Length(60, "m"), durations=times), "si")
    assert caught.value.where == ("durations", 0)


def test_a_result_beyond_all_numbers_is_told_as_null():
    assert Telling("us").many(Lengths, [1e308, 0.3048]).values == [None, 1.0]
