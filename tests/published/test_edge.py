"""Edge passes against trays that anyone can add up by hand."""

import numpy as np
import pytest

from catchpan_service.calibration.edge import edge
from catchpan_service.calibration.pattern import Pattern
from catchpan_service.calibration.stand_off import share_beyond, stand_off

# Integer tray weights at one unit, made for adding up by hand; a step of the field is straight between trays.
SET_A = [0, 1, 2, 3, 4, 5, 6, 5, 4, 3, 2, 1, 0]
SET_B = [0, 2, 4, 6, 8, 10, 12, 11, 9, 6, 3, 1, 0]


def trays(weights):
    rate = np.array(weights, dtype=float)
    return Pattern(np.arange(-6.0, 7.0), rate, None, 1, rate[None])


def test_trays_beyond_an_edge_add_up():
    """Beyond 4 on the right of set A lie half of 2 and 1, by trapezoids 1.5 + 0.5 of 36."""
    assert share_beyond(trays(SET_A), side="right", distances=[4.0, 3.0, 0.0]) * 36 == pytest.approx([2, 4.5, 18])
    assert share_beyond(trays(SET_B), side="right", distances=[3.0, 0.0]) * 72 == pytest.approx([7, 36])
    assert share_beyond(trays(SET_B), side="left", distances=[3.0, 0.0]) * 72 == pytest.approx([9, 36])
    assert stand_off(trays(SET_A), side="left", limit=2 / 36).distance == pytest.approx(4.0)


def test_an_edge_pass_of_set_a_meets_the_next_at_6_without_a_stripe():
    """Set A at 6 lays 6 everywhere, CV 0; so do an edge pass and overlapped ones, from its middle on."""
    for way, met in edge(trays(SET_A), side="left", pass_spacing=6.0).by_driving.items():
        assert met.seam.gap == pytest.approx(6.0, abs=1e-5), way
        assert (met.seam.relative_min, met.seam.relative_max) == pytest.approx((1, 1), abs=1e-5)


def test_set_b_at_6_lays_11_to_13_of_12_one_way_and_12_everywhere_back_and_forth():
    met = edge(trays(SET_B), side="left", pass_spacing=6.0).by_driving
    one_way, turned = met["one_way"], met["back_and_forth"]
    assert (one_way.overlapped_min, one_way.overlapped_max) == pytest.approx((11 / 12, 13 / 12))
    assert (turned.overlapped_min, turned.overlapped_max) == pytest.approx((1, 1))
    assert (turned.seam.gap, turned.seam.first_heading) == (pytest.approx(6, abs=1e-5), "opposite")
    assert (turned.seam.relative_min, turned.seam.relative_max) == pytest.approx((1, 1), abs=1e-5)
