"""What the certified fits tell beside their values."""

import math

import numpy as np
import pytest

from catchpan_service.calibration.catches import UncertaintyModel, catches
from catchpan_service.calibration.pooling import pool

from .values_flow_curve import DANWOOD_X, DANWOOD_Y, danwood, danwood_scale
from .values_machines import SIRSTV


def test_danwood_scale_is_the_flow_at_x_of_one():
    fit = danwood("power")
    scale = danwood_scale()[0] * 2 ** fit.parameters["exponent"].value
    assert fit.parameters["flow_scale"].value == pytest.approx(scale, rel=5e-10)


def test_a_straight_line_through_logarithms_would_not_pass_for_danwood():
    exponent, level = np.polyfit(np.log(DANWOOD_X), np.log(DANWOOD_Y), 1)
    assert (math.exp(level), exponent) == pytest.approx((0.749945, 3.917206), abs=1e-6)
    fitted = danwood("power").parameters["exponent"].value
    assert abs(fitted - exponent) > 0.05


def test_danwood_with_a_dead_opening_lies_inside_the_bounds():
    assert danwood("offset_power").at_bound == ()


def test_repeatability_of_five_groups_of_five_has_twenty_degrees_of_freedom():
    session = catches(opening=np.repeat([0.2, 0.3, 0.4, 0.6, 0.8], 5), mass=np.ravel(SIRSTV), duration=np.ones(25))
    assert pool(session, UncertaintyModel()).repeatability.degrees_of_freedom == 20
