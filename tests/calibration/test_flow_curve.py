"""From catches to a curve: refusals, the choice of form, weights, uncertainties, sides, batches, invariants."""

import dataclasses
import math

import lmfit
import numpy as np
import pytest
import uncertainties
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import umath

from catchpan_service.calibration.catches import catches, uncertainty_model
from catchpan_service.calibration.curve import fit_variance, flow, inverse, refit_agrees, slope
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.flow_curve import FitCase, Prior, fit_flow_curve, fit_flow_curves

UNEVEN = [0.15, 0.15, 0.24, 0.4, 0.4, 0.6, 0.9, 0.9]
SMALL_SCATTER = [1.004, 0.997, 1.01, 0.995, 1.002, 0.992, 1.006, 1.001]


def law(opening, scale=0.3, dead=0.06, exponent=1.6):
    return scale * (np.array(opening) - dead) ** exponent


def session(opening=UNEVEN, scatter=SMALL_SCATTER, **columns):
    """Invented catches of 30 s from an invented law."""
    count = len(opening)
    given = {"mass": 30.0 * law(opening) * np.resize(scatter, count), "duration": np.full(count, 30.0)}
    return catches(opening=opening, **given | columns)


def codes(fit):
    return [finding.code for finding in fit.findings]


# --- refusals -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("made", "options", "code", "words"),
    [
        (session([0.4]), {}, "too_few_openings", "fewer than two used openings"),
        (session([0.3, 0.4], stream=["pulsing", "steady"]), {}, "too_few_openings", "fewer than two used openings"),
        (session([0.4, 0.4, 0.4]), {}, "openings_all_equal", "the same opening"),
        (session([0.3, 0.5]), {"form": "offset_power"}, "too_few_openings_for_form", "the form power, or auto"),
        (session([0.3, 0.5]), {"prior": None}, "too_few_openings_for_form", "the form power, or auto"),
        (
            session([0.3, 0.5]),
            {"form": "power", "weighting": "equal"},
            "too_few_catches",
            "more catches than parameters",
        ),
        (session(), {"form": "cubic"}, "bad_form", "form is 'cubic'; allowed is auto, offset_power, power, monotone"),
        (session(), {"weighting": "none"}, "bad_weighting", "weighting is 'none'; allowed is uncertainty, equal"),
        (
            session([0.3, 0.5, 0.8], mass=[5.0, 3.0, 1.0]),
            {},
            "flow_falls",
            "falls from 30 % to 80 % opening by more than three combined standard uncertainties",
        ),
        (session([0.3, 0.8], mass=[3.0, 1.0]), {}, "flow_falls", "no single catch explains it"),
        (
            session([0.5, 0.505, 0.51]),
            {"form": "power"},
            "openings_all_equal",
            "the used openings differ by no more than their uncertainty",
        ),
    ],
)
def test_what_cannot_be_computed_is_refused_with_the_reason(made, options, code, words):
    with pytest.raises(CalibrationError, match=words) as refused:
        fit_flow_curve(made, **options)
    assert refused.value.code == code
    assert refused.value.allowed


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_a_prior_without_a_width_is_refused(value):
    with pytest.raises(CalibrationError, match=f"exponent_uncertainty is {value!r}"):
        Prior(1.6, value, 0.08, 0.05)


# --- choice of form -----------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [2, 3])
def test_two_or_three_openings_lean_on_the_prior_and_say_so(count):
    fit = fit_flow_curve(session([0.2, 0.5, 0.8][:count]))
    assert fit.curve.form == "offset_power"
    assert "shape_not_tested" in codes(fit)
    assert fit.lack_of_fit_p is None
    moved = [flow(fit.curve, pool.opening) / pool.flow - 1.0 for pool in fit.openings]
    assert fit.prior_influence == pytest.approx(moved, rel=1e-9, abs=1e-12)
    assert max(abs(part) for part in fit.prior_influence) < 0.03


def test_a_strong_prior_moves_the_flows_further_than_a_weak_one():
    made = session([0.2, 0.5, 0.8])
    strong = fit_flow_curve(made, prior=Prior(2.5, 0.05, 0.01, 0.005))
    weak = fit_flow_curve(made, prior=Prior(2.5, 5.0, 0.01, 0.5))
    assert max(np.abs(strong.prior_influence)) > 10 * max(np.abs(weak.prior_influence))


def test_four_openings_use_no_prior():
    fit = fit_flow_curve(session([0.2, 0.4, 0.6, 0.9]))
    assert fit.prior_influence is None
    assert refit_agrees(fit.curve, fit_flow_curve(session([0.2, 0.4, 0.6, 0.9]), form="offset_power").curve)


def saturating(opening):
    """A gate that hardly gives more from half on: no power law."""
    return 0.1 * np.tanh(4.0 * (np.array(opening) - 0.1))


def test_five_openings_that_no_law_fits_become_a_curve_through_the_points():
    opening = [0.15, 0.15, 0.25, 0.4, 0.4, 0.6, 0.9, 0.9]
    fit = fit_flow_curve(session(opening, mass=30.0 * saturating(opening)))
    assert fit.curve.form == "monotone"
    assert "form_does_not_fit" in codes(fit)
    assert flow(fit.curve, fit.curve.knot_opening) == pytest.approx(fit.curve.knot_flow)
    assert np.isnan(flow(fit.curve, [0.149, 0.901])).all()


def test_four_openings_that_no_law_fits_keep_it_and_name_the_opening_to_catch_next():
    opening = [0.15, 0.15, 0.3, 0.3, 0.5, 0.5, 0.9, 0.9]
    fit = fit_flow_curve(session(opening, mass=30.0 * saturating(opening)))
    assert fit.curve.form == "offset_power"
    found = next(finding for finding in fit.findings if finding.code == "form_does_not_fit")
    assert "Catch next at 70 % opening" in found.advice


def test_a_significant_but_small_misfit_keeps_the_law():
    opening = [0.15, 0.15, 0.25, 0.25, 0.4, 0.4, 0.6, 0.6, 0.75, 0.75, 0.9, 0.9]
    bent = law(opening) * (1.0 + 0.01 * np.sin(9.0 * np.array(opening)))
    twice = np.array([1.0, 1.0005] * 6)
    model = uncertainty_model(
        scale_readability=0.0, timer_uncertainty=0.0, opening_uncertainty=0.0001, shared_uncertainty=0.0
    )
    fit = fit_flow_curve(session(opening, mass=30.0 * bent * twice), model=model)
    assert fit.lack_of_fit_p < 0.01
    assert fit.curve.form == "offset_power"
    assert "form_does_not_fit" not in codes(fit)


def test_a_parameter_at_its_bound_is_said():
    opening = [0.2, 0.4, 0.6, 0.8]
    fit = fit_flow_curve(session(opening, mass=30 * 0.1 * (np.array(opening) + 0.15) ** 1.3))
    assert fit.at_bound == ("dead_opening",)
    assert "parameter_at_bound" in codes(fit)
    assert fit.parameters["dead_opening"].value == 0.0
    assert 0.0 < fit.parameters["dead_opening"].standard_uncertainty < 0.2


# --- weights and uncertainty --------------------------------------------------------------------------


def test_equal_weights_are_ordinary_least_squares():
    made = session()
    fit = fit_flow_curve(made, form="offset_power", weighting="equal")
    measured = made.mass / made.duration
    model = lmfit.Model(lambda x, a, c, p: a * np.maximum(x - c, 1e-9) ** p, independent_vars=["x"])
    other = model.fit(measured, x=made.opening, a=0.3, c=0.05, p=1.5)
    assert flow(fit.curve, made.opening) == pytest.approx(other.best_fit, rel=1e-6)
    assert fit.residual_sum_of_squares == pytest.approx(other.chisqr, rel=1e-9)
    for name, key in (("flow_scale", "a"), ("dead_opening", "c"), ("exponent", "p")):
        assert fit.parameters[name].standard_uncertainty == pytest.approx(other.params[key].stderr, rel=1e-3)


def test_the_flows_uncertainty_equals_automatic_propagation():
    fit = fit_flow_curve(session())
    a, c, p = fit.curve.flow_scale, fit.curve.dead_opening, fit.curve.exponent
    log_a, dead, exponent = uncertainties.correlated_values([math.log(a), c, p], fit.curve.covariance)
    for opening in (0.15, 0.3, 0.7, 1.0):
        log_flow = log_a + exponent * umath.log(opening - dead)
        assert math.sqrt(fit_variance(fit.curve, opening)) == pytest.approx(log_flow.std_dev, rel=1e-9)


def test_the_uncertainty_of_a_monotone_curve_is_that_of_moved_knots():
    curve = fit_flow_curve(session(), form="monotone").curve
    at = np.array([0.15, 0.2, 0.33, 0.5, 0.9])
    rng = np.random.default_rng(2)
    draws = []
    for _ in range(4000):
        moved = np.array(curve.knot_flow) + 0.1 * np.array(curve.knot_uncertainty) * rng.standard_normal(5)
        draws.append(flow(dataclasses.replace(curve, knot_flow=tuple(moved)), at))
    spread = 10.0 * np.std(draws, axis=0) / flow(curve, at)
    assert np.sqrt(fit_variance(curve, at)) == pytest.approx(spread, rel=0.05)


def test_the_weights_are_those_of_the_effective_variance():
    made = session()
    fit = fit_flow_curve(made, form="offset_power")
    x = np.array([pool.opening for pool in fit.openings])
    own = np.array([sum(1 / (p.standard_uncertainty / p.flow) ** 2 for p in fit.points if p.opening == at) for at in x])
    expected = np.hypot(flow(fit.curve, x) / np.sqrt(own), slope(fit.curve, x) * 0.003)
    assert [pool.standard_uncertainty for pool in fit.openings] == pytest.approx(expected, rel=0.01)
    chi_square = sum((pool.residual / u) ** 2 for pool, u in zip(fit.openings, expected, strict=True))
    assert fit.chi_square == pytest.approx(chi_square, rel=1e-3)


def test_repeats_shrink_the_scatter_but_not_the_openings_error_nor_the_shared_one():
    few = fit_flow_curve(session([0.2, 0.35, 0.5, 0.9], np.ones(4)), form="offset_power")
    many = fit_flow_curve(
        session([0.2, 0.35, 0.5, 0.9] * 100, np.ones(400)),
        form="offset_power",
        model=uncertainty_model(repeatability=0.02),
    )
    for one, other in zip(few.openings, many.openings, strict=True):
        opening_part = float(slope(many.curve, one.opening)) * 0.003
        assert other.standard_uncertainty < one.standard_uncertainty
        assert other.standard_uncertainty == pytest.approx(opening_part, rel=0.1)
    assert many.curve.shared_uncertainty == few.curve.shared_uncertainty == 0.005


def test_few_repeats_are_drawn_towards_what_is_assumed():
    fit = fit_flow_curve(session())
    logs = np.log(SMALL_SCATTER)
    squares = sum(np.var(logs[rows], ddof=1) for rows in ([0, 1], [3, 4], [6, 7]))
    assert fit.budget.repeatability.value == pytest.approx(math.sqrt((squares + 5 * 0.02**2) / 8), rel=1e-12)
    assert fit.budget.repeatability.degrees_of_freedom == 8
    assert fit.budget.repeatability.basis == "partly_assumed"


def test_six_degrees_of_freedom_speak_for_themselves():
    opening = [0.15, 0.4, 0.9] * 3
    scatter = np.exp(np.random.default_rng(1).normal(0, 0.01, 9))
    fit = fit_flow_curve(session(opening, scatter))
    pooled = math.sqrt(np.mean([np.var(np.log(scatter[k::3]), ddof=1) for k in range(3)]))
    assert fit.budget.repeatability.value == pytest.approx(pooled, rel=1e-12)
    assert (fit.budget.repeatability.basis, fit.budget.repeatability.degrees_of_freedom) == ("estimated", 6)


def test_readability_and_timer_are_a_floor_and_not_added():
    coarse = uncertainty_model(scale_readability=0.1, timer_uncertainty=0.0, repeatability=0.001)
    fit = fit_flow_curve(session(weighings=[2] * 8), model=coarse)
    for point, mass in zip(fit.points, session().mass, strict=True):
        type_b = math.sqrt(2) * 0.1 / math.sqrt(12) / mass
        assert point.standard_uncertainty / point.flow == pytest.approx(max(0.001, type_b), rel=1e-12)
    rough = fit_flow_curve(session(), model=uncertainty_model(repeatability=0.05))
    assert all(p.standard_uncertainty / p.flow == pytest.approx(0.05) for p in rough.points)


def test_repeats_without_any_spread_keep_finite_weights():
    silent = uncertainty_model(scale_readability=0.0, timer_uncertainty=0.0, opening_uncertainty=0.0)
    fit = fit_flow_curve(session([0.2, 0.4, 0.6, 0.9] * 3, np.ones(12)), model=silent)
    assert fit.converged
    assert flow(fit.curve, 0.5) == pytest.approx(float(law(0.5)), rel=1e-9)
    assert np.isfinite(fit.curve.covariance).all()


def test_misses_beyond_chance_widen_the_covariance_of_the_law():
    opening = [0.15, 0.15, 0.25, 0.4, 0.4, 0.6, 0.9, 0.9]
    bent = law(opening) * np.array([1, 1, 1, 1, 1, 1.12, 1, 1])
    fit = fit_flow_curve(session(opening, mass=30.0 * bent), form="offset_power")
    assert fit.at_bound == ()
    excess = fit.chi_square / fit.degrees_of_freedom
    assert excess > 5.0
    x = np.array([pool.opening for pool in fit.openings])
    u = np.array([pool.standard_uncertainty for pool in fit.openings]) / flow(fit.curve, x)
    gradient = (
        np.stack(
            [np.ones_like(x), -fit.curve.exponent / (x - fit.curve.dead_opening), np.log(x - fit.curve.dead_opening)]
        )
        / u
    )
    alone = np.linalg.inv(gradient @ gradient.T)
    assert np.diag(fit.curve.covariance) == pytest.approx(excess * np.diag(alone), rel=0.25)


def test_knots_carry_their_pooled_scatter_and_the_openings_error():
    fit = fit_flow_curve(session(), form="monotone")
    assert fit.curve.knot_uncertainty == pytest.approx([pool.standard_uncertainty for pool in fit.openings], rel=1e-12)
    known = fit_flow_curve(session(), form="monotone", model=uncertainty_model(opening_uncertainty=0.0))
    relative = np.divide(known.curve.knot_uncertainty, known.curve.knot_flow)
    scatter = fit.budget.repeatability.value
    assert relative == pytest.approx(scatter / np.sqrt([2, 1, 2, 1, 2]), rel=1e-9)


def test_a_merged_knot_is_surer_than_each_opening_it_came_from():
    opening = [0.2, 0.4, 0.41, 0.6, 0.9]
    made = session(opening, mass=30 * law(opening) * np.array([1, 1.03, 0.97, 1, 1]))
    fit = fit_flow_curve(made, form="monotone", model=uncertainty_model(opening_uncertainty=0.0))
    own = [pool.standard_uncertainty for pool in fit.openings]
    assert fit.curve.knot_uncertainty[1] == pytest.approx((own[1] ** -2 + own[2] ** -2) ** -0.5, rel=1e-12)


def test_without_repeats_knots_that_replace_a_law_carry_its_misfit():
    opening = [0.15, 0.25, 0.4, 0.6, 0.9]
    made = session(opening, mass=30.0 * saturating(opening))
    auto, named = fit_flow_curve(made), fit_flow_curve(made, form="monotone")
    assert auto.curve.form == "monotone"
    assert auto.curve.knot_flow == named.curve.knot_flow
    excess = fit_flow_curve(made, form="offset_power")
    factor = math.sqrt(excess.chi_square / excess.degrees_of_freedom)
    assert np.divide(auto.curve.knot_uncertainty, named.curve.knot_uncertainty) == pytest.approx(factor, rel=1e-9)


# --- points and sides ---------------------------------------------------------------------------------


def test_every_catch_has_a_point_in_order_with_measured_less_curve():
    made = session([0.1, *UNEVEN], [1.0, *SMALL_SCATTER], stream=["pulsing"] + ["steady"] * 8)
    fit = fit_flow_curve(made)
    assert [point.opening for point in fit.points] == [0.1, *UNEVEN]
    assert (fit.points[0].used, fit.points[0].why_unused, fit.points[0].residual) == (False, "pulsing", None)
    for point in fit.points[1:]:
        assert point.used
        assert point.residual == pytest.approx(point.flow - float(flow(fit.curve, point.opening)), abs=1e-15)
    squares = sum(point.residual**2 for point in fit.points[1:])
    assert fit.residual_sum_of_squares == pytest.approx(squares, rel=1e-12)


def test_monotone_knots_merge_where_the_flow_does_not_rise():
    opening = [0.2, 0.4, 0.41, 0.6, 0.9]
    mass = 30 * law(opening) * np.array([1, 1.03, 0.97, 1, 1])
    fit = fit_flow_curve(session(opening, mass=mass), form="monotone")
    assert len(fit.curve.knot_opening) == 4
    assert 0.4 < fit.curve.knot_opening[1] < 0.41
    assert (np.diff(fit.curve.knot_flow) > 0).all()
    assert "falling_flow" in codes(fit)


def test_one_gates_catches_make_that_gates_curve():
    fit = fit_flow_curve(session(gates=["right"] * 8))
    assert fit.curve.gates == "right"
    assert fit.balance is None


def test_left_and_right_alone_add_up_to_both():
    opening = np.repeat([0.2, 0.4, 0.6, 0.9], 2)
    sides = ["left", "right"] * 4
    parts = np.array([0.52, 0.48] * 4)
    made = catches(
        opening=[*opening, 0.5], mass=[*(30 * law(opening) * parts), 1.0], duration=[30] * 9, gates=[*sides, "left"]
    )
    fit = fit_flow_curve(made)
    assert fit.curve.gates == "both"
    assert flow(fit.curve, 0.5) == pytest.approx(float(law(0.5)), rel=1e-6)
    assert fit.points[-1].why_unused == "other_gate_missing"
    assert fit.balance.left_share == pytest.approx(0.52, abs=1e-12)
    assert fit.curve.left_share == fit.balance.left_share
    assert max(abs(point.residual) for point in fit.points[:-1]) < 1e-6


def test_single_gates_beside_both_feed_the_balance_only():
    opening = [*UNEVEN, 0.5, 0.5]
    mass = 30 * law(opening) * np.array([*SMALL_SCATTER, 0.51, 0.49])
    gates = ["both"] * 8 + ["left", "right"]
    fit = fit_flow_curve(session(opening, mass=mass, gates=gates))
    alone = fit_flow_curve(session())
    assert [point.why_unused for point in fit.points[-2:]] == ["balance_only"] * 2
    assert dataclasses.replace(fit.curve, left_share=None) == alone.curve
    assert fit.curve.left_share == pytest.approx(0.51, abs=1e-12)


# --- batches and invariants ---------------------------------------------------------------------------


def test_a_batch_gives_each_case_its_own_answer_or_error_in_order():
    cases = [
        FitCase(session()),
        FitCase(session([0.4])),
        FitCase(session([0.2, 0.5])),
        FitCase(session(), form="monotone"),
        FitCase(session(), form="power", weighting="equal"),
    ] * 4
    answers = fit_flow_curves(cases)
    assert len(answers) == len(cases)
    for case, answer in zip(cases, answers, strict=True):
        if len(case.catches.opening) == 1:
            assert isinstance(answer, CalibrationError)
            continue
        alone = fit_flow_curve(case.catches, form=case.form, weighting=case.weighting)
        assert refit_agrees(answer.curve, alone.curve)
        assert [f.code for f in answer.findings] == codes(alone)
        assert answer.chi_square == pytest.approx(alone.chi_square, rel=1e-6)


def test_an_empty_batch_is_an_empty_answer():
    assert fit_flow_curves([]) == []


scatters = st.lists(st.floats(0.97, 1.03), min_size=8, max_size=8)
forms = st.sampled_from(["auto", "offset_power", "power", "monotone"])
weightings = st.sampled_from(["uncertainty", "equal"])


@settings(max_examples=40, deadline=None)
@given(scatters, forms, weightings, st.permutations(range(8)))
def test_the_order_of_the_catches_does_not_matter(scatter, form, weighting, order):
    made = session(scatter=scatter)
    mixed = catches(opening=made.opening[list(order)], mass=made.mass[list(order)], duration=made.duration[list(order)])
    one = fit_flow_curve(made, form=form, weighting=weighting)
    other = fit_flow_curve(mixed, form=form, weighting=weighting)
    assert refit_agrees(one.curve, other.curve)


@settings(max_examples=40, deadline=None)
@given(scatters, forms, weightings, st.floats(0.5, 2.0))
def test_longer_catches_and_another_flow_scale_every_flow_alike(scatter, form, weighting, factor):
    exact = uncertainty_model(scale_readability=0.0, timer_uncertainty=0.0)
    made = session(scatter=scatter)
    scaled = session(scatter=scatter, mass=made.mass * factor)
    one = fit_flow_curve(made, form=form, weighting=weighting, model=exact).curve
    other = fit_flow_curve(scaled, form=form, weighting=weighting, model=exact).curve
    at = np.array(one.knot_opening)
    assert flow(other, at) == pytest.approx(factor * flow(one, at), rel=1e-8)
    assert fit_variance(other, at) == pytest.approx(fit_variance(one, at), rel=1e-5)


@settings(max_examples=40, deadline=None)
@given(scatters, forms, weightings)
def test_every_curve_rises_between_its_openings_and_inverts(scatter, form, weighting):
    curve = fit_flow_curve(session(scatter=scatter), form=form, weighting=weighting).curve
    at = np.linspace(*curve.opening_range, 60)[1:-1]
    assert (np.diff(flow(curve, at)) > 0).all()
    assert inverse(curve, flow(curve, at)) == pytest.approx(at, rel=1e-9)
    assert (fit_variance(curve, at) > 0).all()


@settings(max_examples=40, deadline=None)
@given(scatters, forms, weightings)
def test_a_curve_rounded_to_twelve_digits_is_the_same_fit(scatter, form, weighting):
    def rounded(value):
        if isinstance(value, tuple):
            return tuple(rounded(part) for part in value)
        return float(f"{value:.12g}") if isinstance(value, float) else value

    curve = fit_flow_curve(session(scatter=scatter), form=form, weighting=weighting).curve
    names = [field.name for field in dataclasses.fields(curve)]
    travelled = dataclasses.replace(curve, **{name: rounded(getattr(curve, name)) for name in names})
    assert refit_agrees(curve, travelled)
    at = np.array(curve.knot_opening)
    assert fit_variance(travelled, at) == pytest.approx(fit_variance(curve, at), rel=1e-5)


def test_another_form_or_another_flow_is_not_the_same_fit():
    one = fit_flow_curve(session()).curve
    assert not refit_agrees(one, fit_flow_curve(session(), form="power").curve)
    assert not refit_agrees(one, fit_flow_curve(session(), weighting="equal").curve)
    assert not refit_agrees(one, dataclasses.replace(one, flow_scale=one.flow_scale * (1 + 2e-6)))
    assert refit_agrees(one, dataclasses.replace(one, flow_scale=one.flow_scale * (1 + 5e-7)))
