"""What the printed relations tell of intervals beside their values."""

import dataclasses
import math

import numpy as np
import pytest

from catchpan_service.calibration.opening import opening_for_rate

from .values_rate import EXACT, combined


def test_effective_degrees_of_freedom_follow_welch_and_satterthwaite():
    """JCGM 100:2008, G.4.1: u^4 / (u_fit^4 / nu), the other components being known."""
    curve = dataclasses.replace(EXACT, shared_uncertainty=0.015)
    answer = opening_for_rate(curve, rate=0.01, speed=1.0, laid_width=4.0)
    total = 0.0004 + 0.015**2
    # t at 95 % for nu = 5 x (total/0.0004)^2 = 12.2: between the GUM's 2.18 (12) and 2.16 (13).
    assert 12.0 < 5.0 * (total / 0.0004) ** 2 < 13.0
    low, high = (float(end) for end in answer.rate_interval_this_machine)
    assert 2.16 < 0.5 * math.log(high / low) / math.sqrt(total) < 2.18


def test_degrees_of_freedom_of_two_alike_components_are_their_sum():
    assert combined(3.0, 7, 3.0, 7)[1] == pytest.approx(14, rel=1e-6)


def test_rate_interval_covers_what_repeated_draws_of_the_model_give():
    """Monte Carlo of the same errors (JCGM 101): 95 % of draws lie inside, within the noise of counting."""
    curve = dataclasses.replace(EXACT, degrees_of_freedom=math.inf, opening_uncertainty=0.004, shared_uncertainty=0.01)
    answer = opening_for_rate(curve, rate=0.01, speed=1.0, laid_width=4.0)
    rng, count = np.random.default_rng(3), 40_000
    opening = float(answer.opening) + 0.004 * rng.standard_normal(count)
    laid = np.exp(0.02 * rng.standard_normal(count)) * (1 + 0.01 * rng.standard_normal(count)) * opening**1.5 / 4.0
    low, high = (float(end) for end in answer.rate_interval_this_machine)
    assert np.mean((laid >= low) & (laid <= high)) == pytest.approx(0.95, abs=0.005)
