"""Covariance of the parameters: against SciPy inside the bounds, against the profile at them."""

import math

import numpy as np
import pytest
from scipy.optimize import brentq, curve_fit

from catchpan_service.calibration.covariance import covariance, held_at
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.solver import Problem, solve

OPENING = [0.2, 0.35, 0.5, 0.75, 0.9]
INSIDE = ((0.0, 0.199), (0.5, 3.0))


def problem(flow, bounds=INSIDE):
    return Problem(OPENING, list(flow), [0.02 * q for q in flow], *bounds)


def test_inside_the_bounds_it_is_that_of_curve_fit():
    asked = problem(0.3 * (np.array(OPENING) - 0.1) ** 1.5 * np.array([1.01, 0.99, 1.0, 1.02, 0.99]))
    found = solve(asked)
    assert held_at(found, INSIDE) == ()
    ours = np.array(covariance(found, INSIDE, (), 1.0))
    x, q, u = (np.array(column) for column in (asked.opening, asked.flow, asked.uncertainty))
    _, theirs = curve_fit(
        lambda x, log_a, c, p: np.exp(log_a) * np.maximum(x - c, 1e-9) ** p,
        x,
        q,
        p0=(math.log(found.flow_scale), found.dead_opening, found.exponent),
        sigma=u,
        absolute_sigma=True,
    )
    assert ours == pytest.approx(theirs, rel=1e-4)
    assert np.array(covariance(found, INSIDE, (), 2.5)) == pytest.approx(2.5 * ours)


@pytest.mark.parametrize(("offset", "tolerance"), [(0.02, 0.05), (0.05, 0.10)])
def test_a_dead_opening_at_zero_is_as_uncertain_as_its_profile(offset, tolerance):
    asked = problem(0.3 * (np.array(OPENING) + offset) ** 1.5)
    found = solve(asked)
    assert held_at(found, INSIDE) == ("dead_opening",)

    def rise(dead):
        fixed = asked._replace(dead_bounds=(dead, dead))
        return solve(fixed).chi_square - found.chi_square - 1.0

    reach = brentq(rise, 0.0, 0.19)
    ours = covariance(found, INSIDE, ("dead_opening",), 1.0)
    assert math.sqrt(ours[1][1]) == pytest.approx(reach, rel=tolerance)


def test_an_exponent_at_its_bound_is_as_uncertain_as_its_profile():
    asked = problem(0.5 * (np.array(OPENING) - 0.05) ** 3.2)
    found = solve(asked)
    assert held_at(found, INSIDE) == ("exponent",)

    def rise(exponent):
        fixed = asked._replace(exponent_bounds=(exponent, exponent))
        return solve(fixed).chi_square - found.chi_square - 1.0

    reach = 3.0 - brentq(rise, 1.5, 3.0)
    ours = covariance(found, INSIDE, ("exponent",), 1.0)
    assert math.sqrt(ours[2][2]) == pytest.approx(reach, rel=0.05)


def test_a_fixed_parameter_has_no_uncertainty():
    fixed = ((0.0, 0.0), (0.2, 6.0))
    ours = np.array(covariance(solve(problem(np.array(OPENING) ** 1.4, fixed)), fixed, (), 1.0))
    assert (ours[1] == 0.0).all()
    assert (ours[:, 1] == 0.0).all()
    assert ours[2][2] > 0.0


def test_parameters_that_cannot_be_told_apart_are_refused():
    found = solve(problem(0.3 * (np.array(OPENING) - 0.1) ** 1.5))
    aa, ac, ap = found.normal[:3]
    twins = found._replace(normal=(aa, ac, ap, ac * ac / aa, ac * ap / aa, ap * ap / aa))
    with pytest.raises(CalibrationError, match="too close together to tell the shape") as refused:
        covariance(twins, INSIDE, (), 1.0)
    assert refused.value.code == "shape_undetermined"
