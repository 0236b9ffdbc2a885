"""CV from lag products: the same as from the folded field."""

import numpy as np
import pytest

from catchpan_service.calibration.lag_products import lattice, overlap_cv
from catchpan_service.calibration.superposition import DRIVINGS, superpose

EVEN = np.linspace(-3.0, 3.0, 13)
OFF_MIDDLE = EVEN + 0.19
ON_A_LATTICE = np.array([-4.0, -3, -2, -1.5, -1, -0.5, 0, 0.5, 1, 2, 4])
ON_NONE = np.sort(np.concatenate([[-3.7, 0.1], np.random.default_rng(5).uniform(-3.5, 3.5, 9)]))
LAYOUTS = [EVEN, OFF_MIDDLE, ON_A_LATTICE, ON_NONE]


def some_rates(positions, seed=1):
    return np.random.default_rng(seed).uniform(0.1, 1.0, len(positions))


@pytest.mark.parametrize("positions", LAYOUTS)
def test_lag_products_equal_the_folded_field(positions):
    several = np.array([some_rates(positions, seed) for seed in range(150)])
    several[::2, [0, -1]] = 0.0
    at = np.linspace(0.4, 14.0, 60)
    quick = overlap_cv(positions=positions, rates=several, spacings=at)
    for driving in DRIVINGS:
        slow = [superpose(positions=positions, rate=y, spacings=at, driving=driving).cv for y in several]
        assert np.allclose(quick[driving], slow, rtol=1e-9, atol=1e-7)


def test_both_routes_agree_to_nine_digits_above_half_a_percent():
    positions = np.linspace(-6.096, 6.096, 41)
    several = np.random.default_rng(3).uniform(0, 1, (50, 41))
    at = np.linspace(0.3048, 12.192, 200)
    quick = overlap_cv(positions=positions, rates=several, spacings=at)
    for driving in DRIVINGS:
        slow = np.array([superpose(positions=positions, rate=y, spacings=at, driving=driving).cv for y in several])
        above = slow > 0.005
        assert above.any()
        assert np.abs(quick[driving][above] / slow[above] - 1).max() < 1e-9


def test_lattice_is_the_coarsest_that_holds_all_pans():
    assert lattice(np.array([-3.0, -1.5, -0.5, 0.5, 1.5, 3.0])) == pytest.approx(0.5, rel=1e-12)
    assert lattice(EVEN * 0.3048) == pytest.approx(0.1524, rel=1e-12)
    assert lattice(ON_NONE) is None
