"""Rate to opening: refusals, the five statuses in their order, intervals, limits and invariants."""

import dataclasses
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from catchpan_service.calibration.catches import catches
from catchpan_service.calibration.curve import flow
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.flow_curve import fit_flow_curve
from catchpan_service.calibration.opening import opening_for_rate

OPENINGS = [0.1, 0.16, 0.16, 0.3, 0.5, 0.8, 0.8]
"""Invented machine: pulses at 10 %, steady from 16 % on."""


def invented(form="auto", **columns):
    true = 0.3 * (np.array(OPENINGS) - 0.06) ** 1.6
    wobble = np.array([1.0, 0.99, 1.01, 1.008, 0.994, 1.003, 0.998])
    given = {
        "opening": OPENINGS,
        "mass": true * wobble * 30.0,
        "duration": np.full(7, 30.0),
        "stream": ["pulsing"] + ["steady"] * 6,
    }
    return fit_flow_curve(catches(**given | columns), form=form).curve


LAW = invented()
KNOTS = invented("monotone")
CURVES = [LAW, KNOTS]


def ask(curve, opening, **options):
    """Ask for the rate that the curve lays at an opening, one metre wide at one metre a second."""
    return opening_for_rate(curve, rate=flow(curve, opening), **{"speed": 1.0, "laid_width": 1.0} | options)


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
@pytest.mark.parametrize("name", ["rate", "speed", "laid_width"])
def test_a_quantity_that_is_not_above_zero_is_refused(name, value):
    wanted = {"rate": 0.02, "speed": 1.5, "laid_width": 4.0} | {name: value}
    with pytest.raises(CalibrationError, match=f"{name} is {value!r}; allowed is a finite value above zero") as refused:
        opening_for_rate(LAW, **wanted)
    assert (refused.value.code, refused.value.where) == (f"bad_{name}", (name,))


@pytest.mark.parametrize(
    ("options", "words", "where"),
    [
        ({"coverages": 3}, "coverages is 3.0; allowed is 1 or 2", ("coverages",)),
        ({"correction": 1.11}, "correction is 1.11; allowed is 0.9 to 1.1", ("correction",)),
        ({"correction": math.nan}, "correction is nan", ("correction",)),
        ({"gates": "front"}, "gates is 'front'; allowed is both, left, right", ("gates",)),
        ({"opening_step": 0.0}, "opening_step is 0.0", ("opening_step",)),
        ({"opening_step": 1.5}, "at most 1", ("opening_step",)),
        ({"label_highest_rate": -1.0}, "label_highest_rate is -1.0", ("label_highest_rate",)),
        ({"between_machine_spread": math.inf}, "between_machine_spread is inf", ("between_machine_spread",)),
        ({"speed": [1.0, 0.0]}, "speed is 0.0", ("speed", 1)),
    ],
)
def test_an_option_that_cannot_be_is_refused_with_what_is_allowed(options, words, where):
    with pytest.raises(CalibrationError, match=words) as refused:
        ask(LAW, 0.4, **options)
    assert refused.value.where == where


def test_a_curve_of_one_gate_answers_for_that_gate_only():
    left = invented(gates=["left"] * 7)
    assert left.gates == "left"
    assert ask(left, 0.4, gates="left").opening == pytest.approx(0.4, rel=1e-12)
    with pytest.raises(CalibrationError, match="allowed is left, the gate that was caught"):
        ask(left, 0.4, gates="both")


@pytest.mark.parametrize("curve", CURVES)
@pytest.mark.parametrize("opening", [0.17, 0.33, 0.62, 0.79])
def test_the_answer_is_the_inverse_of_the_curve(curve, opening):
    answer = ask(curve, opening)
    assert answer.opening == pytest.approx(opening, rel=1e-12)
    assert answer.status == "ok"


@pytest.mark.parametrize(
    ("opening", "status"),
    [
        (1.01, "beyond_full_opening"),
        (1.0, "outside_catches"),
        (0.81, "outside_catches"),
        (0.8, "ok"),
        (0.16, "ok"),
        (0.159, "steadiness_unknown"),
        (0.101, "steadiness_unknown"),
        (0.1, "below_steady_flow"),
        (0.07, "below_steady_flow"),
    ],
)
def test_the_status_is_the_first_that_applies(opening, status):
    answer = ask(LAW, opening)
    assert answer.status == status
    assert np.isnan(answer.opening) == (status == "beyond_full_opening")


def test_without_an_unsteady_catch_nothing_is_known_below_the_smallest_steady_opening():
    curve = dataclasses.replace(LAW, largest_unsteady_opening=None)
    assert ask(curve, 0.07).status == "steadiness_unknown"


def test_without_a_steady_opening_nothing_is_known_above_the_unsteady_one():
    curve = dataclasses.replace(LAW, smallest_steady_opening=None, largest_unsteady_opening=0.5)
    assert [str(ask(curve, opening).status) for opening in (0.4, 0.6)] == ["below_steady_flow", "steadiness_unknown"]
    assert np.isnan(ask(curve, 0.6).speed_range[0])


def test_a_monotone_curve_has_no_opening_outside_its_knots():
    low, high = KNOTS.knot_flow[0], KNOTS.knot_flow[-1]
    answer = opening_for_rate(KNOTS, rate=[0.9 * low, 1.1 * high], speed=1.0, laid_width=1.0)
    assert np.isnan(answer.opening).all()
    assert answer.status.tolist() == ["steadiness_unknown", "outside_catches"]
    to_the_stop = dataclasses.replace(KNOTS, knot_opening=(*KNOTS.knot_opening[:-1], 1.0), opening_range=(0.16, 1.0))
    assert opening_for_rate(to_the_stop, rate=1.1 * high, speed=1.0, laid_width=1.0).status == "beyond_full_opening"


@pytest.mark.parametrize("curve", CURVES)
def test_the_opening_interval_holds_the_openings_that_lay_the_rate_intervals_ends(curve):
    answer = ask(curve, 0.4)
    low, high = answer.opening_interval
    assert low < answer.opening < high
    ends = answer.rate_interval_this_machine
    assert [float(flow(curve, end)) for end in (low, high)] == pytest.approx([float(end) for end in ends], rel=1e-9)


def test_an_interval_that_runs_past_full_opening_has_no_end_there():
    low, high = ask(LAW, 0.999).opening_interval
    assert low < 0.999
    assert np.isnan(high)


def test_a_smaller_opening_is_less_sure():
    widths = [
        np.log(np.divide(*reversed(ask(LAW, opening).rate_interval_this_machine))) for opening in (0.16, 0.25, 0.5)
    ]
    assert widths[0] > widths[1] > widths[2]


def test_a_comparison_that_shows_no_spread_leaves_the_interval_of_this_machine():
    answer = ask(LAW, 0.4, between_machine_spread=0.0, machines_checked=5)
    assert answer.rate_interval_any_machine == answer.rate_interval_this_machine
    with pytest.raises(CalibrationError, match="between_machine_spread is -0"):
        ask(LAW, 0.4, between_machine_spread=-0.01, machines_checked=5)


def test_any_machine_is_unknown_until_three_machines_were_checked():
    answer = ask(LAW, 0.4)
    assert np.isnan(answer.rate_interval_any_machine).all()
    assert [finding.code for finding in answer.findings] == ["any_machine_unknown"]
    few = ask(LAW, 0.4, between_machine_spread=0.03, machines_checked=2)
    assert np.isnan(few.rate_interval_any_machine).all()
    assert [finding.code for finding in few.findings] == ["any_machine_unknown"]
    known = ask(LAW, 0.4, between_machine_spread=0.03, machines_checked=3)
    assert known.rate_interval_any_machine[0] < known.rate_interval_this_machine[0]
    assert known.rate_interval_any_machine[1] > known.rate_interval_this_machine[1]
    assert known.findings == ()
    more = ask(LAW, 0.4, between_machine_spread=0.03, machines_checked=30)
    assert more.rate_interval_any_machine[1] < known.rate_interval_any_machine[1]


@pytest.mark.parametrize("machines", [4, 10])
def test_the_interval_of_any_machine_holds_another_machine_of_the_kind_19_times_in_20(machines):
    """The spread is estimated from some machines; the curve's own machine and the other one are drawn from the kind."""
    rng, held, truth = np.random.default_rng(machines), 0, 0.03
    certain = replace(LAW, covariance=((0.0,) * 3,) * 3, opening_uncertainty=0.0, shared_uncertainty=0.0)
    for _ in range(1000):
        spread = truth * np.sqrt(rng.chisquare(machines - 1) / (machines - 1))
        answer = ask(certain, 0.4, between_machine_spread=spread, machines_checked=machines)
        laid = float(answer.rate_at_set_opening) * np.exp(truth * (rng.standard_normal() - rng.standard_normal()))
        low, high = answer.rate_interval_any_machine
        held += low <= laid <= high
    assert 930 <= held <= 970


def test_the_controller_step_moves_opening_and_rate():
    answer = ask(LAW, 0.334, opening_step=0.05)
    assert answer.set_opening == pytest.approx(0.35)
    assert answer.rate_at_set_opening == pytest.approx(float(flow(LAW, 0.35)))
    exact = ask(LAW, 0.334)
    assert exact.set_opening == pytest.approx(0.334)
    assert exact.rate_at_set_opening == pytest.approx(float(flow(LAW, 0.334)))


def test_a_step_that_does_not_divide_the_range_stays_on_the_gate():
    assert ask(LAW, 0.99, opening_step=0.3).set_opening == pytest.approx(0.9)


def test_the_speed_range_reaches_from_the_smallest_steady_flow_to_full_opening():
    answer = ask(LAW, 0.4)
    slow, fast = answer.speed_range
    assert ask(LAW, 0.4, speed=slow).opening == pytest.approx(0.16)
    assert ask(LAW, 0.4, speed=fast).opening == pytest.approx(1.0)
    assert ask(KNOTS, 0.4, speed=ask(KNOTS, 0.4).speed_range[1] * (1 - 1e-12)).opening == pytest.approx(0.8)


def test_a_correction_is_a_factor_on_flow():
    rate = float(flow(LAW, 0.4))
    answer = opening_for_rate(LAW, rate=rate * 1.05, speed=1.0, laid_width=1.0, correction=1.05)
    assert answer.opening == pytest.approx(0.4)
    assert answer.rate_at_set_opening == pytest.approx(rate * 1.05)


def test_one_gate_gives_its_share_or_half_with_a_finding():
    shared = dataclasses.replace(LAW, left_share=0.55)
    rate = float(flow(LAW, 0.4))
    left = opening_for_rate(shared, rate=0.55 * rate, speed=1.0, laid_width=1.0, gates="left")
    right = opening_for_rate(shared, rate=0.45 * rate, speed=1.0, laid_width=1.0, gates="right")
    assert [float(left.opening), float(right.opening)] == pytest.approx([0.4, 0.4])
    half = opening_for_rate(LAW, rate=0.5 * rate, speed=1.0, laid_width=1.0, gates="right")
    assert half.opening == pytest.approx(0.4)
    assert "gate_share_assumed" in [finding.code for finding in half.findings]


def test_a_rate_whose_upper_end_exceeds_the_label_stops():
    rate = float(flow(LAW, 0.4))
    upper = float(ask(LAW, 0.4).rate_interval_this_machine[1])
    assert "above_label" not in [f.code for f in ask(LAW, 0.4, label_highest_rate=upper * 1.001).findings]
    stops = [f for f in ask(LAW, 0.4, label_highest_rate=upper * 0.999).findings if f.code == "above_label"]
    assert [f.severity for f in stops] == ["stop"]
    stepped = ask(LAW, 0.4, label_highest_rate=upper * 1.001, opening_step=0.23)
    assert stepped.rate_at_set_opening > rate
    assert "above_label" in [f.code for f in stepped.findings]


def test_the_label_counts_the_sum_over_coverages():
    rate = float(flow(LAW, 0.4))
    once = opening_for_rate(LAW, rate=rate, speed=1.0, laid_width=1.0, label_highest_rate=rate)
    twice = opening_for_rate(LAW, rate=rate, speed=2.0, laid_width=1.0, coverages=2, label_highest_rate=rate)
    for answer in (once, twice):
        assert "above_label" in [finding.code for finding in answer.findings]


def test_an_opening_outside_the_catches_is_noted_with_its_place():
    answer = opening_for_rate(LAW, rate=flow(LAW, [0.4, 0.9]), speed=1.0, laid_width=1.0)
    assert [f.where for f in answer.findings if f.code == "outside_catches"] == [(1,)]


@pytest.mark.parametrize("curve", CURVES)
def test_the_chart_is_the_same_answer_on_a_grid(curve):
    rates, speeds = [0.002, 0.01, 0.03, 0.2], [0.5, 1.0, 2.0]
    grid = {"rate": np.array(rates)[:, None], "speed": np.array(speeds)[None, :]}
    chart = opening_for_rate(curve, **grid, laid_width=4.0, coverages=2, correction=0.95)
    for row, rate in enumerate(rates):
        for column, speed in enumerate(speeds):
            one = opening_for_rate(curve, rate=rate, speed=speed, laid_width=4.0, coverages=2, correction=0.95)
            assert chart.opening[row, column] == pytest.approx(float(one.opening), rel=1e-14, nan_ok=True)
            assert chart.status[row, column] == str(one.status)


@given(st.floats(0.001, 0.1), st.floats(0.3, 4.0), st.floats(1.0, 15.0), st.floats(0.5, 2.0))
def test_only_the_product_of_rate_speed_and_width_matters(rate, speed, width, factor):
    one = opening_for_rate(LAW, rate=rate, speed=speed, laid_width=width)
    other = opening_for_rate(LAW, rate=rate * factor, speed=speed / factor, laid_width=width)
    assert float(other.opening) == pytest.approx(float(one.opening), rel=1e-12, nan_ok=True)
    assert other.status == one.status


def test_plain_numbers_and_arrays_give_the_same():
    together = opening_for_rate(LAW, rate=[0.01, 0.02], speed=1.0, laid_width=4.0, opening_step=0.01)
    for index, rate in enumerate((0.01, 0.02)):
        alone = opening_for_rate(LAW, rate=rate, speed=1.0, laid_width=4.0, opening_step=0.01)
        assert alone.opening.shape == ()
        for name in ("flow", "opening", "set_opening", "rate_at_set_opening"):
            assert getattr(together, name)[index] == pytest.approx(float(getattr(alone, name)), rel=1e-14)


def test_close_above_the_dead_opening_no_interval_is_stated_and_the_label_cannot_be_kept():
    barely = LAW.dead_opening + 0.0005
    answer = ask(LAW, barely, label_highest_rate=1.0)
    assert answer.opening == pytest.approx(barely)
    assert np.isnan(answer.rate_interval_this_machine).all()
    assert np.isnan(answer.opening_interval).all()
    stop = next(finding for finding in answer.findings if finding.code == "above_label")
    assert "cannot be shown to stay below" in stop.what


def test_a_rate_beyond_all_numbers_is_beyond_full_opening():
    steep = dataclasses.replace(LAW, exponent=0.5, flow_scale=1e-200)
    answer = opening_for_rate(steep, rate=1.0, speed=1.0, laid_width=1.0)
    assert answer.status == "beyond_full_opening"
    assert np.isnan(answer.opening)
