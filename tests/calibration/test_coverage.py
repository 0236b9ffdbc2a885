"""A short form of the coverage study (``python -m tests.studies coverage``); the bounds allow for its small count."""

import pytest

from tests.studies import intervals
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


@pytest.mark.parametrize("twice", [False, True], ids=["once", "twice"])
@pytest.mark.parametrize("openings", [2, 3, 5])
def test_intervals_of_a_curve_hold_where_machines_are_as_assumed(openings, twice):
    """200 machines: 95 % less three standard deviations of counting is 90.4 %."""
    found = intervals.cell(200, openings, None, twice=twice, seed=5)
    assert {"rate", "opening", "flow curve", "exponent", "dead opening", "flow scale"} <= set(found)
    assert min(found[name] for name in ("rate", "opening", "flow curve", "flow scale")) >= 0.904, found
    assert min(found[name] for name in ("exponent", "dead opening")) >= 0.93, found


def test_repeats_mend_a_spread_twice_as_large_as_assumed():
    once, twice = (intervals.cell(200, 5, 0.04, twice=twice, seed=5)["rate"] for twice in (False, True))
    assert 0.84 <= once < twice
    assert twice >= 0.904


def test_a_dead_opening_at_its_bound_has_an_interval_that_holds():
    found = intervals.cell(150, 4, 0.02, twice=True, seed=6, dead=intervals.NEAR_ZERO)
    assert found["dead opening at its bound"] >= 0.95
    assert found["rate"] >= 0.91


@pytest.mark.parametrize(("checked", "least"), [(3, 0.85), (10, 0.89)])
def test_intervals_of_any_machine_hold_with_a_spread_that_few_machines_tell(checked, least):
    assert intervals.any_machine(150, checked, 7)["rate, any machine"] >= least
    assert intervals.any_machine(150, checked, 7, told=True)["rate, any machine"] >= 0.89


def test_a_provisional_curve_is_never_too_sure():
    assert min(intervals.provisional(100, 0.1, 8).values()) >= 0.95


@pytest.mark.parametrize("runs", [1, 2, 3, 6])
def test_a_ground_speed_holds_with_few_runs(runs):
    assert 0.92 <= min(intervals.ground_speeds(1000, runs, 11).values()) <= 0.985


@pytest.mark.parametrize("speeds", [(6.0, 9.0), (5.0, 7.0, 10.0)])
def test_a_law_of_throw_holds_at_speeds_and_for_throws(speeds):
    assert min(intervals.throws(500, speeds, 10).values()) >= 0.92


def test_field_checks_hold():
    assert all(0.93 <= share <= 0.97 for share in intervals.field_checks(2000, 9).values())


def test_the_report_names_all_three_figures_and_every_interval():
    words = report(count=5)
    assert words.count("95 % interval holds") == 2
    assert words.count("true curve rejected by auto") == 2
    for name in ("opening", "flow curve", "exponent", "any machine", "provisional", "field check", "ground speed"):
        assert name in words
