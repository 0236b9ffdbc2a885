"""EWMA and CUSUM against the worked examples of the NIST/SEMATECH e-Handbook, and run lengths against tables."""

import numpy as np
import pytest

from catchpan_service.calibration.check_series import cusum, cusum_run_length, ewma, ewma_run_length

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4: data, weight 0.3, first average 50, s 2.0539, 3 s limits.
EWMA_DATA = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]  # fmt: skip
EWMA_PRINTED = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip
EWMA_LIMITS = (47.4115, 52.5884)

# The same, 6.3.2.3: target 325, k 0.3175, h 4.1959; the sums as printed.
CUSUM_DATA = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]  # fmt: skip
CUSUM_HIGH = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
CUSUM_LOW = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0]


def test_the_ewma_of_the_handbook():
    found = ewma(EWMA_DATA, target=50.0, deviation=2.0539, weight=0.3, limit=3.0)
    assert np.abs(found.average - EWMA_PRINTED).max() <= 0.0051
    assert (found.low, found.high) == pytest.approx(EWMA_LIMITS, abs=1e-4)
    assert ((found.average > found.low) & (found.average < found.high)).all()


def test_the_cusum_of_the_handbook():
    found = cusum(CUSUM_DATA, target=325.0, slack=0.3175)
    assert np.abs(found.high - CUSUM_HIGH).max() <= 0.0101
    assert np.abs(found.low[:12] - CUSUM_LOW).max() <= 0.0101
    assert np.flatnonzero(found.high > 4.1959)[0] + 1 == 14


@pytest.mark.parametrize(("weight", "limit"), [(0.1, 2.814), (0.2, 2.962), (0.25, 2.998), (0.4, 3.054)])
def test_ewma_limits_of_the_tables_give_five_hundred_checks(weight, limit):
    """Lucas and Saccucci, Technometrics 32 (1990) 1 (from memory)."""
    assert ewma_run_length(weight=weight, limit=limit) == pytest.approx(500.0, rel=2e-3)


@pytest.mark.parametrize(("limit", "shift", "printed"), [(4, 0, 168), (5, 0, 465), (4, 1, 8.38), (5, 1, 10.4)])
def test_cusum_run_lengths_of_the_tables(limit, shift, printed):
    """Two-sided, k = 0.5: the figures of textbooks on control charts (from memory)."""
    assert cusum_run_length(slack=0.5, limit=limit, shift=shift) == pytest.approx(printed, rel=3e-3)
