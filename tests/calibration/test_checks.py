"""Check catches, field checks and check series: decisions, refusals, invariants, and independent computations."""

import contextlib
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm
from scipy.stats import t as student

from catchpan_service.calibration import check_series as check_series_module
from catchpan_service.calibration.catches import catches, uncertainty_model
from catchpan_service.calibration.check_catch import check_catch
from catchpan_service.calibration.check_series import check_series, cusum, cusum_run_length, ewma, ewma_run_length
from catchpan_service.calibration.curve import fit_variance, flow, log_covariance
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.field_check import field_check
from catchpan_service.calibration.flow_curve import fit_flow_curve

OPENING = np.array([0.15, 0.15, 0.24, 0.4, 0.4, 0.6, 0.9, 0.9])


def law(opening):
    return 0.3 * (np.asarray(opening) - 0.06) ** 1.6


CURVE = fit_flow_curve(catches(opening=OPENING, mass=30 * law(OPENING), duration=[30] * 8)).curve
MONOTONE = fit_flow_curve(catches(opening=OPENING, mass=30 * law(OPENING), duration=[30] * 8), form="monotone").curve


def checks(opening, ratio=1.0, **columns):
    mass = 30 * np.asarray(flow(CURVE, opening)) * ratio
    return catches(opening=opening, mass=mass, duration=[30] * len(opening), **columns)


TWO = [0.3, 0.3, 0.6, 0.6]


@pytest.mark.parametrize(
    ("opening", "ratio", "decision"),
    [
        ([0.4], 1.0, "accept"),
        ([0.4], 1.03, "catch_again"),
        ([0.4], 1.09, "catch_again"),
        ([0.4], 1.3, "calibrate_again"),
        (TWO, 1.0, "accept"),
        (TWO, 1.08, "correct"),
        (TWO, 0.93, "correct"),
        (TWO, 1.14, "calibrate_again"),
        (TWO, [1.25, 1.25, 1.0, 1.0], "calibrate_again"),
    ],
)
def test_a_check_leads_to_the_one_decision_that_applies(opening, ratio, decision):
    found = check_catch(CURVE, checks(opening, np.asarray(ratio)))
    assert found.decision == decision


def test_one_opening_never_leads_to_a_correction():
    for ratio in np.linspace(0.8, 1.25, 19):
        assert check_catch(CURVE, checks([0.4] * 6, ratio)).decision != "correct"


def test_a_correction_in_force_is_part_of_what_is_promised():
    found = check_catch(CURVE, checks(TWO, 1.06), correction=1.06)
    assert found.decision == "accept"
    assert found.ratio == pytest.approx(1.0, rel=1e-12)
    assert check_catch(CURVE, checks(TWO, 1.2), correction=1.06).decision == "calibrate_again"


def test_the_probability_is_that_of_students_distribution():
    model = uncertainty_model(repeatability=0.02, opening_uncertainty=0.0, shared_uncertainty=0.0)
    found = check_catch(CURVE, checks([0.4], 1.02), model=model)
    reach = (np.log([0.95, 1.05]) - math.log(1.02)) / 0.02
    assert found.within_tolerance == pytest.approx(np.diff(norm.cdf(reach))[0], abs=1e-9)
    drawn = check_catch(
        CURVE, checks([0.4], 1.02), model=uncertainty_model(opening_uncertainty=0, shared_uncertainty=0)
    )
    assert drawn.within_tolerance == pytest.approx(np.diff(student.cdf(reach, 5))[0], abs=1e-9)


def test_more_catches_do_decide_if_the_ratio_stays():
    made = checks([0.5], 1.025)
    more = check_catch(CURVE, made).more_catches
    assert more is not None
    again = check_catch(CURVE, checks([0.5] * (1 + more), 1.025))
    assert again.decision == "accept"


def test_the_decision_holds_as_often_as_it_says():
    """Machines whose true factor is drawn; of those accepted at 90 % at least 90 % are truly within 5 %."""
    rng, accepted = np.random.default_rng(3), []
    for factor in np.exp(rng.normal(0, 0.04, 1500)):
        off = np.array([0.3, 0.6]) + rng.normal(0, 0.003, 2)
        true = 30 * flow(CURVE, np.repeat(off, 2)) * factor * np.exp(rng.normal(0, 0.02, 4)) * rng.normal(1, 0.005)
        if check_catch(CURVE, catches(opening=TWO, mass=true, duration=[30] * 4)).decision == "accept":
            accepted.append(abs(factor - 1.0) <= 0.05)
    assert len(accepted) > 300
    assert np.mean(accepted) >= 0.9


def test_gates_and_scales_of_flow_do_not_change_a_ratio():
    half = checks([0.3, 0.6], 0.5, gates=["left", "left"])
    assert check_catch(CURVE, half).ratio == pytest.approx(1.0, rel=1e-12)


@pytest.mark.parametrize("curve", [CURVE, MONOTONE])
def test_the_diagonal_of_the_covariance_is_the_variance(curve):
    at = np.array([0.2, 0.45, 0.8])
    assert np.diag(log_covariance(curve, at)) == pytest.approx(fit_variance(curve, at), rel=1e-12)


@pytest.mark.parametrize(
    ("made", "options", "code", "where"),
    [
        (checks([0.4]), {"correction": 1.2}, "bad_correction", ("correction",)),
        (checks([0.4]), {"tolerance": math.nan}, "bad_tolerance", ("tolerance",)),
        (checks([0.4]), {"confidence": 1.0}, "bad_confidence", ("confidence",)),
        (checks([0.4], stream=["pulsing"]), {}, "no_steady_catch", ("catches",)),
        (checks([0.4], 1e4), {}, "another_flow", ("catches", 0, "mass")),
        (catches(opening=[0.05], mass=[1], duration=[9]), {}, "outside_curve", ("catches", 0, "opening")),
    ],
)
def test_a_check_that_cannot_be_compared_is_refused_by_its_place(made, options, code, where):
    with pytest.raises(CalibrationError) as refused:
        check_catch(CURVE, made, **options)
    assert (refused.value.code, refused.value.where) == (code, where)
    assert refused.value.allowed


# --- field checks -------------------------------------------------------------------------------------


def test_the_parts_of_a_field_check_multiply_to_the_whole():
    found = field_check(used=[100, 108], rate=0.02, laid_width=3.0, distance=1700.0, area=5000.0)
    assert found.flow_and_speed * found.driving == pytest.approx(found.overall, rel=1e-14)
    assert found.overall == pytest.approx([1.0, 1.08])


def test_area_alone_says_heavy_and_that_the_cause_is_not_known():
    (finding,) = field_check(used=108.0, rate=0.02, area=5000.0).findings
    assert finding.what == "Laid 8 % heavy, cause not known."
    assert finding.code == "laid_off_rate"


def test_driving_never_moves_a_correction():
    found = field_check(used=108.0, rate=0.02, laid_width=3.0, distance=1800.0, area=5000.0)
    assert found.correction == 1.0
    assert [one.code for one in found.findings] == ["driving_off"]
    heavy = field_check(used=108.0, rate=0.02, laid_width=3.0, distance=5000 / 3, area=5000.0)
    assert heavy.correction == pytest.approx(1.08)
    assert [one.code for one in heavy.findings] == ["flow_or_speed_off"]


def test_two_coverages_lay_half_the_rate_each():
    once = field_check(used=100, rate=0.02, laid_width=3, distance=1666, area=5000)
    twice = field_check(used=100, rate=0.02, laid_width=3, distance=3332, area=5000, coverages=2)
    assert twice.flow_and_speed == pytest.approx(once.flow_and_speed)
    assert twice.driving == pytest.approx(once.driving)


def test_the_interval_of_a_field_check_holds_the_truth_as_often_as_it_says():
    rng = np.random.default_rng(5)
    used, distance = 100 * rng.normal(1, 0.01, 4000), 1600 * rng.normal(1, 0.01, 4000)
    found = field_check(used=used, rate=0.02, laid_width=3, distance=distance)
    low, high = found.flow_and_speed_interval
    true = 100 / (1600 * 3 * 0.02)
    assert np.mean((low <= true) & (true <= high)) == pytest.approx(0.95, abs=0.01)


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({}, ("distance",)),
        ({"distance": 5}, ("laid_width",)),
        ({"laid_width": 5}, ("distance",)),
        ({"area": math.inf}, ("area",)),
        ({"area": [1, -1]}, ("area", 1)),
        ({"area": []}, ("area",)),
        ({"area": 5, "coverages": 3}, ("coverages",)),
        ({"area": 5, "used_uncertainty": math.nan}, ("used_uncertainty",)),
        ({"area": [5, 6], "used": [1, 2, 3]}, ("used",)),
    ],
)
def test_a_field_check_that_knows_too_little_is_refused_by_its_place(changes, where):
    if where == ("distance",) and changes:
        changes = changes | {"area": 5}
    with pytest.raises(CalibrationError) as refused:
        field_check(**{"used": 1, "rate": 0.02} | changes)
    assert refused.value.where == where


# --- series -------------------------------------------------------------------------------------------


def markov_run_length(weight, limit, states=801):
    """EWMA by a chain of states (Brook and Evans, Biometrika 59 (1972) 539; from memory): another way to the number."""
    reach = limit * math.sqrt(weight / (2 - weight))
    half = reach / states
    middle = -reach + half * (2 * np.arange(states) + 1)
    edges = (middle[None, :] - (1 - weight) * middle[:, None]) / weight
    step = norm.cdf(edges + half / weight) - norm.cdf(edges - half / weight)
    return np.linalg.solve(np.eye(states) - step, np.ones(states))[states // 2]


@pytest.mark.parametrize(("weight", "limit"), [(0.2, 2.962), (0.1, 2.5), (0.5, 3.0)])
def test_run_lengths_of_an_ewma_agree_with_a_chain_of_states(weight, limit):
    assert ewma_run_length(weight=weight, limit=limit) == pytest.approx(markov_run_length(weight, limit), rel=1e-3)


def test_run_lengths_of_a_cusum_agree_with_simulation():
    rng, lengths = np.random.default_rng(9), []
    high, low = np.zeros(20_000), np.zeros(20_000)
    for step in range(1, 1000):
        z = rng.standard_normal(len(high))
        high, low = np.maximum(0, high + z - 0.5), np.maximum(0, low - z - 0.5)
        out = (high > 3) | (low > 3)
        lengths += [step] * int(out.sum())
        high, low = high[~out], low[~out]
    assert len(lengths) == 20_000
    assert np.mean(lengths) == pytest.approx(cusum_run_length(slack=0.5, limit=3.0), rel=0.025)


def test_a_weight_of_one_is_a_chart_of_single_values():
    assert ewma_run_length(weight=1.0, limit=3.0) == pytest.approx(1 / (2 * norm.sf(3)), rel=1e-10)


def test_turning_the_values_over_turns_the_charts_over():
    values = np.random.default_rng(1).normal(size=40)
    above, below = cusum(values, target=0, slack=0.5), cusum(-values, target=0, slack=0.5)
    assert above.high == pytest.approx(below.low, abs=1e-12)
    options = {"target": 0.0, "deviation": 1.0, "weight": 0.2, "limit": 3.0}
    assert ewma(values, **options).average == pytest.approx(-ewma(-values, **options).average)


def test_a_drift_is_found_and_an_orderly_machine_left_in_peace():
    drifting = check_series(ratio=np.linspace(1.0, 1.08, 12), standard_uncertainty=[0.02] * 12)
    assert [one.code for one in drifting.findings] == ["machine_drifts"]
    assert "gives more" in drifting.findings[0].what
    assert check_series(ratio=[1.01, 0.99, 1.02, 0.98], standard_uncertainty=[0.02] * 4).findings == ()


def test_false_alarms_grow_with_the_fleet_and_its_checks():
    made = {"ratio": [1.0], "standard_uncertainty": [0.02]}
    one = check_series(**made, machines=1).false_alarms
    assert check_series(**made).false_alarms == pytest.approx(150 * one)
    assert check_series(**made, machines=1, checks_per_month=4).false_alarms == pytest.approx(4 * one)
    assert one == pytest.approx(1 / ewma_run_length(weight=0.2, limit=2.962) + 1 / cusum_run_length(slack=0.5, limit=5))


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"ratio": []}, ("ratio",)),
        ({"ratio": [1, math.nan]}, ("ratio", 1)),
        ({"ratio": [1, 0]}, ("ratio", 1)),
        ({"standard_uncertainty": [0.02]}, ("standard_uncertainty",)),
        ({"standard_uncertainty": [0.02, 0]}, ("standard_uncertainty", 1)),
        ({"weight": 0}, ("weight",)),
        ({"weight": 0.01}, ("weight",)),
        ({"cusum_limit": 50}, ("limit",)),
        ({"machines": 0}, ("machines",)),
        ({"checks_per_month": math.inf}, ("checks_per_month",)),
    ],
)
def test_a_series_that_cannot_be_charted_is_refused_by_its_place(changes, where):
    with pytest.raises(CalibrationError) as refused:
        check_series(**{"ratio": [1, 1], "standard_uncertainty": [0.02, 0.02]} | changes)
    assert refused.value.where == where


ANY = st.one_of(st.floats(), st.lists(st.floats(), max_size=3), st.sampled_from([1.0, 0.02, [], [[1.0]]]))


@settings(max_examples=150, deadline=None)
@given(
    st.fixed_dictionaries({"used": ANY, "rate": ANY}, optional=dict.fromkeys(("area", "distance", "laid_width"), ANY)),
    st.fixed_dictionaries(
        {"ratio": ANY, "standard_uncertainty": ANY}, optional={"weight": st.floats(), "slack": st.floats()}
    ),
    st.fixed_dictionaries({}, optional=dict.fromkeys(("correction", "tolerance", "confidence"), st.floats())),
)
def test_whatever_is_thrown_at_them_only_a_calibration_error_comes_out(field, series, options):
    for run in (
        lambda: field_check(**field),
        lambda: check_series(**series),
        lambda: check_catch(CURVE, checks(TWO), **options),
    ):
        with contextlib.suppress(CalibrationError):
            assert run() is not None


@pytest.mark.parametrize(("weight", "limit"), [(0.02, 3.0), (0.05, 2.5), (0.2, 4.5)])
def test_more_nodes_move_no_run_length(monkeypatch, weight, limit):
    few = ewma_run_length.__wrapped__(weight=weight, limit=limit)
    monkeypatch.setattr("catchpan_service.calibration.check_series.NODES", 120)
    gauss = check_series_module._gauss.__wrapped__
    monkeypatch.setattr("catchpan_service.calibration.check_series._gauss", gauss)
    assert few == pytest.approx(ewma_run_length.__wrapped__(weight=weight, limit=limit), rel=1e-5)
