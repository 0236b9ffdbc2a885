"""Granules, courses and machine comparison against printed values."""

import numpy as np
import pytest

from catchpan_service.calibration.granules import granules
from catchpan_service.calibration.ground_speed import ground_speed
from catchpan_service.calibration.machine_comparison import machine_comparison

# NIST StRD, SiRstv (shipped with scipy: scipy/stats/tests/data/nist_anova)
SIRSTV = [
    [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
    [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
    [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
    [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
    [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
]


def test_analysis_of_variance_of_sirstv():
    machine = np.repeat(np.arange(5), 5)
    found = machine_comparison(machine=machine, opening=np.full(25, 0.4), flow=np.ravel(SIRSTV), logarithms=False)
    assert found.between_sum == pytest.approx(5.11462616e-02, rel=1e-7)
    assert found.within_sum == pytest.approx(2.16636560e-01, rel=1e-8)
    assert (found.between_freedom, found.within_freedom) == (4, 20)
    assert found.f == pytest.approx(1.18046237440255, rel=1e-9)
    assert found.r_squared == pytest.approx(0.190999039051129, rel=1e-9)
    assert found.within_deviation == pytest.approx(0.104076068334656, rel=1e-9)


def test_size_guide_number_of_a_sieve_that_retains_half():
    # receivinghelpdesk.com, "How is fertilizer density measured" (a weak source): 1.5 mm retains half, so SGN 150
    assert float(granules(openings=[0.0015, 0.001], shares=[0.5, 0.4, 0.1]).size_guide_number) == pytest.approx(150)


def test_size_guide_number_and_uniformity_of_the_hand_check():
    # constructed: cumulative retained 3.35 mm 10 %, 2.36 mm 50 %, 1.40 mm 95 %
    found = granules(openings=[0.00335, 0.00236, 0.0014], shares=[0.10, 0.40, 0.45, 0.05])
    assert float(found.size_guide_number) == pytest.approx(236)
    assert float(found.uniformity_index) == pytest.approx(41.79, abs=0.005)


def test_ground_speed_over_200_feet():
    # NC State turf calibration bulletin: a 200-ft course; 1 mph = 88 ft/min exactly, so 45.45 s at 3 mph
    found = ground_speed(distance=200 * 0.3048, durations=[200 * 60 / (3 * 88)])
    assert found.speed / 0.44704 == pytest.approx(3, rel=1e-12)
