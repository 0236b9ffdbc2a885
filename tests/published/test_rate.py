"""Rate, width, speed and flow against printed relations; intervals against the GUM's factors."""

import dataclasses
import math

import numpy as np
import pytest

from catchpan_service.calibration.curve import FlowCurve, fit_variance
from catchpan_service.calibration.opening import opening_for_rate

POUND, FOOT, MILE_PER_HOUR, ACRE = 0.45359237, 0.3048, 0.44704, 4046.8564224
POUND_PER_MINUTE = POUND / 60.0
POUND_PER_THOUSAND = POUND / (1000.0 * FOOT**2)

EXACT = FlowCurve(
    form="power",
    algorithm="power/1",
    weighting="uncertainty",
    gates="both",
    left_share=None,
    flow_scale=1.0,
    dead_opening=0.0,
    exponent=1.5,
    knot_opening=(0.1, 0.9),
    knot_flow=(),
    knot_uncertainty=(),
    covariance=((0.0004, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.0, 0.0)),
    degrees_of_freedom=5.0,
    opening_range=(0.1, 0.9),
    smallest_steady_opening=0.1,
    largest_unsteady_opening=None,
    opening_uncertainty=0.0,
    shared_uncertainty=0.0,
)


def pounds_per_minute(rate, speed, width, coverages=1):
    answer = opening_for_rate(EXACT, rate=rate, speed=speed, laid_width=width, coverages=coverages)
    assert float(answer.opening) ** 1.5 == pytest.approx(float(answer.flow), rel=1e-12)
    return float(answer.flow) / POUND_PER_MINUTE


@pytest.mark.parametrize(
    ("rate", "mph", "feet", "flow"),
    [
        (200 * POUND / ACRE, 3, 12, 200 * 3 * 12 / 495),
        (4 * POUND_PER_THOUSAND, 3, 12, 12.672),
        (5 * POUND_PER_THOUSAND, 4, 10, 17.6),
    ],
)
def test_flow_follows_the_acre_per_minute_rule(rate, mph, feet, flow):
    """lb/min = lb/acre x mph x ft / 495: Langeland, Univ. of Florida Aquatic Pest Control manual (the ratio), with
    acres/min = mph x swath / 495 from US Army TM 5-3740-218-13P."""
    assert pounds_per_minute(rate, mph * MILE_PER_HOUR, feet * FOOT) == pytest.approx(flow, rel=1e-12)


def test_flow_follows_the_printed_constant_of_acres_per_minute():
    acres_per_minute = 0.0020202 * 3 * 12
    found = pounds_per_minute(200 * POUND / ACRE, 3 * MILE_PER_HOUR, 12 * FOOT)
    assert found == pytest.approx(200 * acres_per_minute, rel=2e-5)


def test_flow_follows_the_metric_rule_of_six_hundred():
    """kg/ha = 600 x kg/min / (m x km/h): engineering note "Calibracion de fertilizadoras", scribd 504491392."""
    answer = opening_for_rate(EXACT, rate=50 / 10_000, speed=10 / 3.6, laid_width=12)
    assert float(answer.flow) * 60 == pytest.approx(10.0, rel=1e-12)


def test_two_directions_take_half_the_flow_each():
    """UMass Amherst, "Rotary Spreader Calibration Procedures": 5 lb/1000 sq ft as 2.5 in each direction."""
    whole = 5 * POUND_PER_THOUSAND, 3 * MILE_PER_HOUR, 12 * FOOT
    half = 2.5 * POUND_PER_THOUSAND, 3 * MILE_PER_HOUR, 12 * FOOT
    assert pounds_per_minute(*whole, coverages=2) == pytest.approx(pounds_per_minute(*half), rel=1e-12)


@pytest.mark.parametrize(
    ("freedom", "factor"), [(1, 12.71), (2, 4.30), (3, 3.18), (5, 2.57), (10, 2.23), (20, 2.09), (50, 2.01)]
)
def test_intervals_use_the_t_factors_of_the_gum(freedom, factor):
    """JCGM 100:2008, table G.2, 95 %."""
    curve = dataclasses.replace(EXACT, degrees_of_freedom=float(freedom))
    answer = opening_for_rate(curve, rate=0.01, speed=1.0, laid_width=4.0)
    low, high = (float(end) for end in answer.rate_interval_this_machine)
    uncertainty = math.sqrt(fit_variance(curve, answer.opening))
    assert 0.5 * math.log(high / low) / uncertainty == pytest.approx(factor, abs=0.005)


def test_effective_degrees_of_freedom_follow_welch_and_satterthwaite():
    """JCGM 100:2008, G.4.1: u^4 / (u_fit^4 / nu), the other components being known."""
    curve = dataclasses.replace(EXACT, shared_uncertainty=0.015)
    answer = opening_for_rate(curve, rate=0.01, speed=1.0, laid_width=4.0)
    total = 0.0004 + 0.015**2
    # t at 95 % for nu = 5 x (total/0.0004)^2 = 12.2: between the GUM's 2.18 (12) and 2.16 (13).
    assert 12.0 < 5.0 * (total / 0.0004) ** 2 < 13.0
    low, high = (float(end) for end in answer.rate_interval_this_machine)
    assert 2.16 < 0.5 * math.log(high / low) / math.sqrt(total) < 2.18


def test_rate_interval_covers_what_repeated_draws_of_the_model_give():
    """Monte Carlo of the same errors (JCGM 101): 95 % of draws lie inside, within the noise of counting."""
    curve = dataclasses.replace(EXACT, degrees_of_freedom=math.inf, opening_uncertainty=0.004, shared_uncertainty=0.01)
    answer = opening_for_rate(curve, rate=0.01, speed=1.0, laid_width=4.0)
    rng, count = np.random.default_rng(3), 40_000
    opening = float(answer.opening) + 0.004 * rng.standard_normal(count)
    laid = np.exp(0.02 * rng.standard_normal(count)) * (1 + 0.01 * rng.standard_normal(count)) * opening**1.5 / 4.0
    low, high = (float(end) for end in answer.rate_interval_this_machine)
    assert np.mean((laid >= low) & (laid <= high)) == pytest.approx(0.95, abs=0.005)
