"""A short form of the Monte Carlo study (``python -m tests.studies monte_carlo``)."""

import numpy as np
import pytest

from tests.studies import monte_carlo
from tests.studies.monte_carlo import CASES, compared, curve_case, cv_case, throw_case

DRAWS = 8000
BY_NAME = {case.name: case for case in CASES}


def found(name):
    return {row.what: row for row in curve_case(BY_NAME[name], DRAWS)}


def allowed(row, share):
    """The share of the half width, and three standard uncertainties of the drawn ends."""
    half = (row.drawn[1] - row.drawn[0]) / 2
    return share + 3 * row.doubt / half


@pytest.mark.parametrize(
    ("name", "share"),
    [("five openings twice, used in the middle", 0.03), ("five openings twice, used at the smallest", 0.09),
     ("four openings once, spread 4 %", 0.04), ("three openings with the prior", 0.04)],
)  # fmt: skip
def test_first_order_holds_where_the_curve_rests_on_catches(name, share):
    rows = found(name)
    for what in ("rate", "opening", "flow curve"):
        assert rows[what].size <= allowed(rows[what], share), rows[what]


def test_first_order_fails_close_above_the_dead_opening():
    rate = found("five openings twice, used 2 % above the dead opening")["rate"]
    assert rate.size > 0.5
    assert min(rate.off) > 0, "both ends lie too high"


@pytest.mark.parametrize(
    "name", ["two openings with the prior, used between", "two openings with the prior, used beyond"]
)
def test_first_order_is_off_by_up_to_two_fifths_with_two_openings(name):
    rows = found(name)
    assert 0.1 < max(rows[what].size for what in ("rate", "opening")) < 0.55


@pytest.mark.parametrize(("speeds", "at"), [((4.0, 6.0, 8.0, 10.0, 12.0), 8.0), ((5.0, 7.0, 10.0), 10.0)])
def test_throws_and_speeds_agree_with_their_draws(speeds, at):
    for row in throw_case(speeds, at, 40_000):
        assert row.size <= allowed(row, 0.05), row


def test_a_drawn_cv_is_larger_than_the_stated_one_the_more_the_smaller_it_is():
    (small,), (large,) = (cv_case(spacing, DRAWS) for spacing in (2.1336, 3.6576))
    assert max(small.off) < 0
    assert large.size < small.size
    assert large.size < 0.25


def test_the_tolerance_is_half_a_unit_of_the_second_digit():
    draws = np.random.default_rng(1).normal(10.0, 0.032, 4000)
    row = compared("made up", (10.0 - 1.96 * 0.032, 10.0 + 1.96 * 0.032), draws)
    assert row.tolerance == pytest.approx(0.0005)
    assert row.holds()
    assert not compared("made up", (9.92, 10.08), draws).holds()


def test_the_report_goes_through_every_case():
    words = monte_carlo.report(400)
    assert all(name in words for name, _ in monte_carlo.cases(400))
