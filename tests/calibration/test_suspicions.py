"""Findings on catches: each raised by what it is for, and honest sessions left in peace."""

import numpy as np
import pytest

from catchpan_service.calibration.catches import catches, uncertainty_model
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.flow_curve import FitCase, fit_flow_curve, fit_flow_curves
from tests.studies.coverage import REPEATED, UNEVEN
from tests.studies.machines import machine

EXACT = [0.15, 0.15, 0.24, 0.4, 0.4, 0.6, 0.9, 0.9]
WOBBLE = np.array([1.004, 0.997, 1.01, 0.995, 1.002, 0.992, 1.006, 1.001])


def law(opening):
    return 0.3 * (np.array(opening) - 0.06) ** 1.6


def session(opening=EXACT, factors=None, **columns):
    """Invented catches of 30 s; `factors` spoils some of them."""
    mass = 30.0 * law(opening) * np.resize(WOBBLE, len(opening))
    for index, factor in (factors or {}).items():
        mass[index] *= factor
    return catches(**{"opening": opening, "mass": mass, "duration": np.full(len(opening), 30.0)} | columns)


def found(fit, code):
    return [finding for finding in fit.findings if finding.code == code]


def test_clean_catches_raise_nothing():
    assert fit_flow_curve(session()).findings == ()


@pytest.mark.parametrize("factor", [2.2046226, 1 / 2.2046226, 16.0, 1 / 16.0])
@pytest.mark.parametrize("index", range(8))
def test_one_catch_in_another_unit_is_found_wherever_it_is(index, factor):
    suspicions = found(fit_flow_curve(session(factors={index: factor})), "catch_in_another_unit")
    assert [finding.where for finding in suspicions] == [("catches", index)]
    assert suspicions[0].severity == "look"
    assert f"Catch {index + 1} is off" in suspicions[0].what


@pytest.mark.parametrize("index", range(1, 5))
def test_a_unit_slip_is_found_without_any_repeats_inside_the_range(index):
    made = session([0.15, 0.25, 0.4, 0.6, 0.75, 0.9], factors={index: 2.2046226})
    places = [finding.where for finding in found(fit_flow_curve(made), "catch_in_another_unit")]
    assert places == [("catches", index)]


def test_a_catch_that_is_merely_off_is_not_called_a_unit_slip():
    for factor in (1.3, 0.7, 4.0):
        assert not found(fit_flow_curve(session(factors={3: factor})), "catch_in_another_unit")


def test_repeats_that_disagree_are_named():
    disagreement = found(fit_flow_curve(session(factors={3: 1.15})), "repeats_disagree")
    assert [finding.where for finding in disagreement] == [("catches", 3)]
    assert "Catches 4, 5 " in disagreement[0].what


def test_a_given_repeatability_is_what_repeats_are_held_to():
    made = session(factors={3: 1.15})
    assert not found(fit_flow_curve(made, model=uncertainty_model(repeatability=0.1)), "repeats_disagree")
    assert found(fit_flow_curve(made, model=uncertainty_model(repeatability=0.02)), "repeats_disagree")


def test_a_fall_that_one_catch_explains_is_shown_with_that_catch():
    fit = fit_flow_curve(session([0.15, 0.25, 0.4, 0.6, 0.9], factors={2: 3.2}))
    fall = found(fit, "falling_flow")
    assert [finding.severity for finding in fall] == ["look"]
    assert "without catch 3" in fall[0].what


def test_a_fall_that_no_single_catch_explains_is_refused():
    made = session([0.15, 0.25, 0.25, 0.4, 0.4, 0.9], factors={3: 0.3, 4: 0.3})
    with pytest.raises(CalibrationError, match="no single catch explains it"):
        fit_flow_curve(made)


def test_a_small_fall_is_a_look_and_a_tiny_one_is_nothing():
    opening = [0.2, 0.4, 0.404, 0.6, 0.9]
    small = session(opening, mass=30 * law(opening) * np.array([1, 1.045, 0.955, 1, 1]))
    assert [finding.severity for finding in found(fit_flow_curve(small), "falling_flow")] == ["look"]
    tiny = session(opening, mass=30 * law(opening) * np.array([1, 1.01, 0.99, 1, 1]))
    assert not found(fit_flow_curve(tiny), "falling_flow")


def test_merged_openings_of_a_monotone_curve_are_noted():
    opening = [0.2, 0.4, 0.404, 0.6, 0.9]
    made = session(opening, mass=30 * law(opening) * np.array([1, 1.01, 0.99, 1, 1]))
    fall = found(fit_flow_curve(made, form="monotone"), "falling_flow")
    assert [finding.severity for finding in fall] == ["note"]


def test_unsteady_catches_are_noted_and_a_clump_above_a_steady_opening_too():
    streams = ["stopped", "pulsing", *["steady"] * 6, "pulsing"]
    opening = [0.08, 0.1, 0.15, 0.24, 0.4, 0.4, 0.6, 0.9, 0.5]
    fit = fit_flow_curve(session(opening, stream=streams))
    assert [finding.where[1] for finding in found(fit, "pulsing_catch")] == [0, 1, 8]
    assert [finding.where[1] for finding in found(fit, "unsteady_above_steady")] == [8]
    assert (fit.smallest_steady_opening, fit.largest_unsteady_opening) == (0.15, 0.1)


def test_an_opening_with_an_unsteady_catch_is_not_steady():
    streams = ["pulsing", *["steady"] * 7]
    fit = fit_flow_curve(session(stream=streams))
    assert (fit.smallest_steady_opening, fit.largest_unsteady_opening) == (0.24, 0.15)


def test_where_every_opening_had_an_unsteady_catch_none_is_steady():
    opening = [0.2, 0.2, 0.5, 0.5, 0.8, 0.8, 0.3, 0.3]
    fit = fit_flow_curve(session(opening, stream=["steady", "pulsing"] * 4))
    assert fit.smallest_steady_opening is None
    assert fit.largest_unsteady_opening == 0.8


@pytest.mark.parametrize(("left", "accused"), [(0.50, False), (0.51, False), (0.55, True), (0.45, True)])
def test_gates_more_than_five_percent_apart_are_out_of_balance(left, accused):
    opening = [0.15, 0.4, 0.6, 0.9, *np.repeat([0.3, 0.8], 2)]
    gates = ["both"] * 4 + ["left", "right"] * 2
    share = np.array([1.0] * 4 + [left, 1 - left] * 2)
    fit = fit_flow_curve(session(opening, mass=30 * law(opening) * share, gates=gates))
    assert bool(found(fit, "gates_out_of_balance")) == accused
    assert fit.balance.left_share == pytest.approx(left, abs=1e-9)
    if accused:
        more = "left" if left > 0.5 else "right"
        assert f"The {more} gate gives" in found(fit, "gates_out_of_balance")[0].what


def test_honest_sessions_are_hardly_ever_accused():
    """Machines with the errors that the model assumes: at most one in fifty has a finding beyond a note."""
    rng = np.random.default_rng(21)
    cases = [
        machine(rng, openings).case for openings in (REPEATED, UNEVEN, UNEVEN[:3], UNEVEN[::3]) for _ in range(100)
    ]
    fits = fit_flow_curves(cases)
    accused = [fit for fit in fits if any(finding.severity != "note" for finding in fit.findings)]
    assert len(accused) <= 0.02 * len(fits)


def test_honest_repeats_are_hardly_ever_called_disagreeing():
    rng = np.random.default_rng(23)
    fits = fit_flow_curves([machine(rng, REPEATED).case for _ in range(300)])
    accused = [fit for fit in fits if found(fit, "repeats_disagree")]
    assert len(accused) <= 0.02 * len(fits)


@pytest.mark.parametrize("pairs", [[0.2, 0.35, 0.6, 0.9], [0.15]])
def test_honest_gates_are_hardly_ever_called_out_of_balance(pairs):
    """Also where a single pair at a small opening differs by far more than 5 % from the gates' own errors."""
    rng = np.random.default_rng(22)
    cases = []
    for _ in range(200):
        opening = np.array([0.15, 0.3, 0.6, 0.9, *np.repeat(pairs, 2)])
        parts = np.array([1.0] * 4 + [0.5] * 2 * len(pairs))
        off = opening + rng.normal(0, 0.003, len(opening))
        mass = 30 * law(off) * parts * np.exp(rng.normal(0, 0.02, len(opening)))
        gates = ["both"] * 4 + ["left", "right"] * len(pairs)
        cases.append(FitCase(catches(opening=opening, mass=mass, duration=[30] * len(opening), gates=gates)))
    accused = [fit for fit in fit_flow_curves(cases) if found(fit, "gates_out_of_balance")]
    assert len(accused) <= 0.02 * len(cases)


def test_words_hold_no_quantity_with_a_dimension():
    """Units are the caller's business: words speak of percent, factors and numbers of catches only."""
    units = ("kg", " g ", "lb", "oz", " s ", "m/s", "mph", " ft", " m ")
    spoiled = [
        fit_flow_curve(session(factors={3: 2.2046})),
        fit_flow_curve(session([0.2, 0.5])),
        fit_flow_curve(session([0.15, 0.25, 0.4, 0.6, 0.9], factors={2: 3.2})),
    ]
    words = [f"{finding.what} {finding.advice} " for fit in spoiled for finding in fit.findings]
    assert len(words) >= 4
    assert not [text for text in words if any(unit in text for unit in units)]
