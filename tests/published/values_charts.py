"""EWMA and CUSUM: the worked examples of the NIST/SEMATECH e-Handbook, and run lengths of tables."""

import numpy as np

from catchpan_service.calibration.check_series import Cusum, Ewma, cusum, cusum_run_length, ewma, ewma_run_length

from .row import Row

E_HANDBOOK = "NIST/SEMATECH e-Handbook, 6.3.2.4"
E_HANDBOOK_CUSUM = "NIST/SEMATECH e-Handbook, 6.3.2.3"
EWMA_DATA = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]  # fmt: skip
CUSUM_DATA = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]  # fmt: skip
CUSUM_LIMIT = 4.1959


def averages() -> Ewma:
    """The example's chart."""
    return ewma(EWMA_DATA, target=50.0, deviation=2.0539, weight=0.3, limit=3.0)


def sums() -> Cusum:
    """The example's sums."""
    return cusum(CUSUM_DATA, target=325.0, slack=0.3175)


ROWS = (
    Row(
        "EWMA, weight 0.3",
        E_HANDBOOK,
        "50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33 50.11 49.36 49.52 50.05 49.38 49.92 50.73 51.23 51.94 51.99",
        lambda: averages().average,
        basis="from memory",
        near=0.0051,
    ),
    Row(
        "its limits",
        E_HANDBOOK,
        "47.4115 52.5884",
        lambda: [averages().low, averages().high],
        basis="from memory",
        near=1e-4,
    ),
    Row(
        "CUSUM above, k 0.3175",
        E_HANDBOOK_CUSUM,
        "0 0 0 0 0.03 0 0 0 0 0 0 0 3.01 4.94 7.45 10.63 11.99 14.44 16.00 19.04",
        lambda: sums().high,
        basis="from memory",
        near=0.0101,
    ),
    Row(
        "CUSUM below, to group 12",
        E_HANDBOOK_CUSUM,
        "0 0.01 0 0.33 0 0 0.56 0.72 0.17 0.25 0.31 0",
        lambda: sums().low[:12],
        basis="from memory",
        near=0.0101,
    ),
    Row(
        "first group beyond h 4.1959",
        E_HANDBOOK_CUSUM,
        "14",
        lambda: np.flatnonzero(sums().high > CUSUM_LIMIT)[0] + 1,
        basis="from memory",
        near=0,
    ),
    Row(
        "checks to a false alarm of an EWMA, weight 0.1 to 0.4",
        "Lucas and Saccucci, Technometrics 32 (1990) 1",
        "500 500 500 500",
        lambda: [
            ewma_run_length(weight=weight, limit=limit)
            for weight, limit in ((0.1, 2.814), (0.2, 2.962), (0.25, 2.998), (0.4, 3.054))
        ],
        basis="from memory",
        share=2e-3,
    ),
    Row(
        "checks to an alarm of a two-sided CUSUM, k 0.5, h 4 and 5, in order and one deviation off",
        "textbooks on control charts",
        "168 465 8.38 10.4",
        lambda: [
            cusum_run_length(slack=0.5, limit=limit, shift=shift)
            for limit, shift in ((4.0, 0.0), (5.0, 0.0), (4.0, 1.0), (5.0, 1.0))
        ],
        basis="from memory",
        share=3e-3,
    ),
)
