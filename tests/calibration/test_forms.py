"""The bare formulas against SciPy, numerical derivatives and themselves inverted."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from catchpan_service.calibration import forms

LAW = {"flow_scale": np.float64(0.4), "dead_opening": np.float64(0.07), "exponent": np.float64(1.7)}

knot_sets = st.lists(st.tuples(st.floats(0.01, 0.3), st.floats(0.001, 2.0)), min_size=2, max_size=8).map(
    lambda steps: np.cumsum(np.array(steps), axis=0).T
)


def test_the_law_gives_nothing_at_and_below_the_dead_opening():
    at = np.array([0.0, 0.05, 0.07])
    assert forms.offset_power(at, **LAW).tolist() == [0.0, 0.0, 0.0]
    assert forms.offset_power_slope(at, **LAW).tolist() == [0.0, 0.0, 0.0]
    assert np.isnan(forms.offset_power_inverse(np.array([0.0, -1.0]), **LAW)).all()


@given(st.floats(0.08, 1.0))
def test_the_inverse_of_the_law_leads_back(opening):
    flow = forms.offset_power(np.array(opening), **LAW)
    assert forms.offset_power_inverse(flow, **LAW) == pytest.approx(opening, rel=1e-13)


@given(st.floats(0.1, 1.0))
def test_slope_and_gradient_are_derivatives_of_the_law(opening):
    def flow(x, a=0.4, c=0.07, p=1.7):
        return a * (x - c) ** p

    step, base = 1e-6, flow(opening)
    slope = (flow(opening + step) - flow(opening - step)) / (2 * step)
    assert forms.offset_power_slope(np.array(opening), **LAW) == pytest.approx(slope, rel=1e-6)
    gradient = forms.offset_power_log_gradient(
        np.array(opening), dead_opening=LAW["dead_opening"], exponent=LAW["exponent"]
    )
    by_dead = (flow(opening, c=0.07 + step) - flow(opening, c=0.07 - step)) / (2 * step * base)
    by_exponent = (flow(opening, p=1.7 + step) - flow(opening, p=1.7 - step)) / (2 * step * base)
    assert [float(part) for part in gradient] == pytest.approx([1.0, by_dead, by_exponent], rel=1e-5, abs=1e-6)


@given(knot_sets)
def test_the_monotone_form_equals_pchip_of_scipy(knots):
    opening, flow = knots
    slopes = forms.knot_slopes(opening, flow)
    at = np.linspace(opening[0], opening[-1], 41)[1:-1]
    value, slope = forms.monotone(at, opening, flow, slopes)
    outside = PchipInterpolator(opening, flow)
    assert value == pytest.approx(outside(at), rel=1e-12)
    assert slope == pytest.approx(outside.derivative()(at), rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(
    "flow", [[1.0, 3.0, 2.0, 2.0, 5.0], [1.0, 1.1, 0.1, 0.2, 9.0], [5.0, 1.0, 1.2, 4.0, 3.9], [0.0, 0.0, 1.0, 1.0, 0.0]]
)
def test_the_monotone_form_keeps_the_shape_of_flows_that_turn(flow):
    opening, flow = np.array([0.1, 0.2, 0.4, 0.5, 0.8]), np.array(flow)
    at = np.linspace(0.1, 0.8, 300)
    value = forms.monotone(at, opening, flow, forms.knot_slopes(opening, flow))[0]
    assert value == pytest.approx(PchipInterpolator(opening, flow)(at), rel=1e-12, abs=1e-12)


@given(knot_sets, st.floats(0.0, 1.0))
def test_the_inverse_of_the_monotone_form_leads_back(knots, share):
    opening, flow = knots
    slopes = forms.knot_slopes(opening, flow)
    wanted = np.array([flow[0] + share * (flow[-1] - flow[0])]).clip(flow[0], flow[-1])
    found = forms.monotone_inverse(wanted, opening, flow, slopes)
    assert opening[0] <= found[0] <= opening[-1]
    assert forms.monotone(found, opening, flow, slopes)[0] == pytest.approx(wanted, rel=1e-12)


def test_the_monotone_form_says_nothing_outside_its_knots():
    opening, flow = np.array([0.2, 0.5, 0.9]), np.array([1.0, 2.0, 4.0])
    slopes = forms.knot_slopes(opening, flow)
    assert np.isnan(forms.monotone(np.array([0.19, 0.91]), opening, flow, slopes)).all()
    assert np.isnan(forms.monotone_inverse(np.array([0.9, 4.1]), opening, flow, slopes)).all()


def test_many_monotone_curves_at_once_equal_each_alone():
    rng = np.random.default_rng(1)
    opening, flow = np.cumsum(rng.uniform(0.05, 0.2, (7, 5)), axis=1), np.cumsum(rng.uniform(0.1, 1, (7, 5)), axis=1)
    slopes = forms.knot_slopes(opening, flow)
    wanted = flow[:, :1] + rng.uniform(0, 1, (7, 9)) * (flow[:, -1:] - flow[:, :1])
    together = forms.monotone_inverse(wanted, opening, flow, slopes)
    for row in range(7):
        alone = forms.monotone_inverse(wanted[row], opening[row], flow[row], forms.knot_slopes(opening[row], flow[row]))
        assert together[row] == pytest.approx(alone, rel=1e-14)
