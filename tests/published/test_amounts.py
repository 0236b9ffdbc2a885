"""What the printed amounts have in common."""

import pytest

from .values_amounts import LB_PER_1000, product


@pytest.mark.parametrize(("share", "wanted"), [(0.28, 1), (0.16, 0.75), (0.20, 1), (0.21, 1)])
def test_the_nitrogen_that_is_wanted_is_laid(share, wanted):
    assert product(share, wanted).nutrients["nitrogen"] / LB_PER_1000 == pytest.approx(wanted)
