"""Coverage maps against printed areas."""

import numpy as np
import pytest

from catchpan_service.calibration.coverage import coverage
from catchpan_service.calibration.pattern import Pattern

FOOT, POUND = 0.3048, 0.45359237
RATE = 4 * POUND / (1000 * FOOT**2)
ACROSS = np.array([0.0, 0.02, 0.02, 0.02, 0.0])
PATTERN = Pattern(np.array([-10.0, -6.0, 0.0, 6.0, 10.0]) * FOOT, ACROSS, None, 1, ACROSS[None])


def driven(width, height, spacing):
    lawn = np.array([[0, 0], [width, 0], [width, height], [0, height]]) * FOOT
    return coverage(PATTERN, outline=lawn, rate=RATE, pass_spacing=spacing * FOOT, edge_passes=0, cell=0.1, side="left")


def test_one_pass_of_83_ft_4_in_at_12_ft_covers_1000_sq_ft():
    """Turf slide set, slideplayer.com/slide/3861029: throw 20 ft, swath 12 ft, 83 ft 4 in x 12 ft = 1,000 sq ft."""
    answer = driven(83 + 4 / 12, 12.0, 12.0)
    assert len(answer.passes) == 1
    assert answer.area / FOOT**2 == pytest.approx(1000)
    assert answer.material / POUND == pytest.approx(4)
    assert answer.on_target / answer.material < 0.95  # what lands beyond the swath belongs to the neighbours
