"""A short form of the coverage study (``python -m tests.studies coverage``); the bounds allow for its small count."""

import pytest

from tests.studies.coverage import REPEATED, UNEVEN, report, study


def test_stated_intervals_hold_the_truth_about_as_often_as_they_say():
    """300 machines: two standard deviations of counting are 2.5 %."""
    found = study(300, REPEATED, seed=1)
    assert 0.93 <= found.covered <= 0.99
    assert found.rejected <= 0.02
    assert found.refused == 0.0


def test_intervals_hold_even_where_the_scatter_is_twice_what_was_assumed():
    found = study(300, UNEVEN, seed=2, spread=0.04)
    assert found.covered >= 0.88
    assert found.rejected <= 0.05


@pytest.mark.long
def test_three_thousand_machines_hold_the_figures_of_the_design():
    assumed, rough = study(3000, REPEATED, seed=11), study(3000, UNEVEN, seed=12, spread=0.04)
    assert 0.93 <= assumed.covered <= 0.98
    assert rough.covered >= 0.90
    assert assumed.rejected < 0.02
    assert sum(assumed.accused.values()) <= 0.02


def test_the_report_names_all_three_figures():
    words = report(count=20)
    assert words.count("95 % interval holds") == 2
    assert words.count("true curve rejected by auto") == 2
