"""Analysis of variance over machines."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.machine_comparison import machine_comparison

groups = st.lists(st.lists(st.floats(0.5, 2), min_size=2, max_size=5), min_size=2, max_size=5)


def one_way(rows, **options):
    machine = np.repeat(np.arange(len(rows)), [len(row) for row in rows])
    flow = np.concatenate(rows)
    return machine_comparison(machine=machine, opening=np.full(len(flow), 0.4), flow=flow, **options)


@given(groups)
def test_with_one_opening_it_is_scipys_one_way_analysis(rows):
    spread = sum(np.var(row) for row in rows)
    if spread < 1e-6:
        return
    found, peer = one_way(rows, logarithms=False), stats.f_oneway(*rows)
    assert found.f == pytest.approx(peer.statistic, rel=1e-6, abs=1e-9)
    assert found.p == pytest.approx(peer.pvalue, rel=1e-6, abs=1e-12)


@given(groups, st.floats(0.1, 10))
def test_another_unit_changes_nothing_in_logarithms(rows, factor):
    one, other = one_way(rows), one_way([[value * factor for value in row] for row in rows])
    assert other.deviation == pytest.approx(one.deviation, abs=1e-9)
    assert other.within_deviation == pytest.approx(one.within_deviation, abs=1e-9)


def simulated(rng, machines, spread, repeats=3, noise=0.015, openings=(0.25, 0.5)):
    offsets = spread * rng.standard_normal(machines)
    rows = [(m, x, math.exp(offsets[m] + 1.5 * math.log(x) + noise * rng.standard_normal()))
            for m in range(machines) for x in openings for _ in range(repeats)]  # fmt: skip
    machine, opening, flow = zip(*rows, strict=True)
    return machine_comparison(machine=machine, opening=opening, flow=flow)


def test_the_spread_between_machines_is_found_and_its_interval_holds_it():
    rng = np.random.default_rng(3)
    found = [simulated(rng, 8, 0.03) for _ in range(300)]
    assert np.sqrt(np.mean([one.between_spread**2 for one in found])) == pytest.approx(0.03, rel=0.1)
    held = np.mean([one.between_spread_interval[0] <= 0.03 <= one.between_spread_interval[1] for one in found])
    assert 0.90 < held <= 1


def test_alike_machines_are_called_different_once_in_twenty_and_rarely_single_ones():
    rng = np.random.default_rng(4)
    found = [simulated(rng, 6, 0.0) for _ in range(400)]
    assert np.mean([one.p < 0.05 for one in found]) == pytest.approx(0.05, abs=0.03)
    assert np.mean([any(one.stands_out) for one in found]) < 0.08


def test_one_machine_that_is_far_off_does_not_make_its_neighbours_look_it():
    rng = np.random.default_rng(5)
    rows = [[1 + 0.005 * rng.standard_normal() for _ in range(4)] for _ in range(5)]
    rows[3] = [value * 1.15 for value in rows[3]]
    found = one_way(rows)
    assert found.stands_out == (False, False, False, True, False)
    assert found.deviation[3] > 0.1


@pytest.mark.parametrize(
    ("machine", "opening", "flow", "words"),
    [
        ([0, 0], [0.4, 0.4], [1, 1.1], "two machines"),
        ([], [], [], "two machines"),
        ([0, 2], [0.4, 0.4], [1, 1.1], "two machines"),
        ([0, 1], [0.4, 0.4], [1, 1.1], "without repeats"),
        ([0, 0, 1, 1], [0.4, 0.5, 0.4, 0.4], [1, 1, 1, 1], "not caught at the same openings"),
        ([0, 0, 1, 1], [0.4] * 4, [1, 1, 0, 1], "flow"),
        ([0, 0, 1, 1], [0.4, 0.4, 0.4, 1.4], [1, 1, 1, 1], "opening"),
        ([0, 0, 1, 1], [0.4] * 4, [1, 1, math.nan, 1], "flow"),
        ([0, 0, 1], [0.4] * 4, [1, 1, 1, 1], "each catch"),
    ],
)
def test_what_cannot_be_is_refused(machine, opening, flow, words):
    with pytest.raises(CalibrationError, match=words):
        machine_comparison(machine=machine, opening=opening, flow=flow)
