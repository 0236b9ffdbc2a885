"""What the printed overlaps tell beside their values."""

import math

import pytest

from catchpan_service.calibration.pattern import shape
from catchpan_service.calibration.superposition import DRIVINGS

from .values_overlap import FIELDS, SETS, bell, field, population_cv


@pytest.mark.parametrize("driving", DRIVINGS)
@pytest.mark.parametrize("spacing", [2.0, 2.354820045, 3.0])
def test_bell_curve_from_dense_pans_is_the_whole_series(spacing, driving):
    """Poisson summation: CV = sqrt(2 sum exp(-4 pi^2 k^2 sigma^2 / S^2))."""
    series = sum(math.exp(-4 * math.pi**2 * k**2 / spacing**2) for k in range(1, 20))
    assert population_cv(bell(), spacing, driving) == pytest.approx(100 * math.sqrt(2 * series), rel=1e-4)


@pytest.mark.parametrize(("name", "steps", "driving"), [row[:3] for row in FIELDS])
def test_mean_of_a_field_times_its_spacing_is_all_that_was_caught(name, steps, driving):
    assert field(name, steps, driving).mean() * steps == pytest.approx(sum(SETS[name]), rel=1e-12)


def test_bell_curve_at_its_half_rate_width_is_even():
    """The half-rate rule on a bell curve gives the CV of its width at half height."""
    width = shape(bell()).half_rate_width
    assert population_cv(bell(), width, "one_way") == pytest.approx(
        population_cv(bell(), 2.354820045, "one_way"), rel=1e-3
    )
