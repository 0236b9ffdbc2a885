"""A curve in use: slopes, relative slopes, shapes and sides of its answers."""

import numpy as np
import pytest

from catchpan_service.calibration.catches import catches
from catchpan_service.calibration.curve import fit_variance, flow, inverse, log_slope, slope
from catchpan_service.calibration.flow_curve import FORMS, fit_flow_curve

OPENING = [0.15, 0.25, 0.4, 0.6, 0.9]
SESSION = catches(opening=OPENING, mass=9 * (np.array(OPENING) - 0.05) ** 1.5, duration=[30.0] * 5)
CURVES = [fit_flow_curve(SESSION, form=form).curve for form in FORMS[1:]]


@pytest.mark.parametrize("curve", CURVES)
def test_slopes_are_derivatives_of_the_flow(curve):
    at, step = np.array([0.2, 0.33, 0.7]), 1e-6
    rise = (flow(curve, at + step) - flow(curve, at - step)) / (2 * step)
    assert slope(curve, at) == pytest.approx(rise, rel=1e-6)
    assert log_slope(curve, at) == pytest.approx(rise / flow(curve, at), rel=1e-6)


@pytest.mark.parametrize("curve", CURVES)
@pytest.mark.parametrize("use", [flow, slope, log_slope, fit_variance])
def test_answers_have_the_shape_of_the_question(curve, use):
    at = np.array([[0.2, 0.3, 0.4], [0.5, 0.6, 0.7]])
    assert use(curve, at).shape == (2, 3)
    assert use(curve, 0.5).shape == ()
    assert float(use(curve, 0.5)) == pytest.approx(use(curve, at)[1, 0], rel=1e-13)


@pytest.mark.parametrize("curve", CURVES)
def test_the_inverse_leads_back_and_gives_nothing_for_nothing(curve):
    at = np.array([0.16, 0.5, 0.89])
    assert inverse(curve, flow(curve, at)) == pytest.approx(at, rel=1e-12)
    assert np.isnan(inverse(curve, [0.0, -1.0])).all()


def test_where_there_is_no_flow_nothing_relative_is_said():
    law = CURVES[0]
    below = np.array([0.0, law.dead_opening])
    assert (flow(law, below) == 0.0).all()
    assert np.isnan(log_slope(law, below)).all()
    assert np.isnan(fit_variance(law, below)).all()


def test_uncertainty_grows_beyond_the_catches():
    law = CURVES[0]
    inside, outside = fit_variance(law, [0.4, 0.12]) ** 0.5
    assert outside > 2 * inside
