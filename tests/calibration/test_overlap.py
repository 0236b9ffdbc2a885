"""The whole answer: what is chosen, what is found, what is refused."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.overlap import DRIVING_TOLERANCE, overlap
from catchpan_service.calibration.pattern import Pattern, pattern, shape
from catchpan_service.calibration.stations import station_field
from catchpan_service.calibration.superposition import DRIVINGS, superpose

POSITIONS = np.linspace(-6.0, 6.0, 25)
BELL = 0.02 * np.exp(-((POSITIONS / 2.2) ** 2) / 2) * (np.abs(POSITIONS) < 6)

rates = st.lists(st.floats(0, 1).map(lambda x: round(x, 3)), min_size=11, max_size=11).filter(lambda y: sum(y) > 2)


def laid(positions, rates):
    position, rate = np.array(positions, dtype=float), np.array(rates, dtype=float)
    return Pattern(position, rate, 0.05, 3, np.tile(rate, (3, 1)))


def codes(answer):
    return {(finding.code, finding.severity) for finding in answer.findings}


def found(answer, code):
    return next(finding for finding in answer.findings if finding.code == code)


def test_arrays_follow_the_spacings():
    at = np.array([3.0, 4.0, 5.0])
    answer = overlap(laid(POSITIONS, BELL), spacings=at)
    for driving in DRIVINGS:
        even = superpose(positions=POSITIONS, rate=BELL, spacings=at, driving=driving)
        assert np.array_equal(answer.by_driving[driving].cv, even.cv)
        assert np.array_equal(answer.by_driving[driving].relative_min, even.relative_min)
        assert np.array_equal(answer.by_driving[driving].relative_max, even.relative_max)
    assert answer.mean_rate * at == pytest.approx(answer.shape.mass_per_length, rel=1e-12)
    assert (answer.evaluation, answer.deviation, answer.n) == ("continuous", "population", None)


def test_default_spacings_are_half_pan_steps_and_whole_ones_at_stations():
    continuous = overlap(laid(POSITIONS, BELL)).spacings
    stations = overlap(laid(POSITIONS, BELL), evaluation="stations").spacings
    assert continuous == pytest.approx(np.arange(1.0, 12.01, 0.25), rel=1e-12)
    assert stations == pytest.approx(np.arange(1.0, 12.01, 0.5), rel=1e-12)


def test_only_the_asked_way_of_driving_is_answered():
    assert list(overlap(laid(POSITIONS, BELL), driving=("one_way",)).by_driving) == ["one_way"]


def test_widest_spacing_may_be_missed_by_the_tolerance_either_way():
    answer = overlap(laid(POSITIONS, BELL)).by_driving["one_way"]
    at = answer.widest_spacing + np.array([-DRIVING_TOLERANCE, DRIVING_TOLERANCE])
    even = superpose(positions=POSITIONS, rate=BELL, spacings=at, driving="one_way")
    assert even.cv[1] == pytest.approx(0.15, abs=1e-9)
    assert even.cv[0] < 0.15


def test_recommended_spacing_is_not_above_half_the_throw():
    answer = overlap(laid(POSITIONS, BELL))
    half_throw = (answer.shape.throw_left + answer.shape.throw_right) / 2
    for one in answer.by_driving.values():
        assert one.widest_spacing > half_throw
        assert one.recommended_spacing == half_throw


def test_recommended_spacing_is_the_widest_where_the_throw_reaches_further():
    flat = np.interp(np.abs(POSITIONS), [0, 0.6, 5.5], [1.0, 0.3, 0.0])
    answer = overlap(laid(POSITIONS, flat))
    one = answer.by_driving["one_way"]
    assert one.recommended_spacing == one.widest_spacing
    assert one.recommended_spacing < (answer.shape.throw_left + answer.shape.throw_right) / 2


def test_a_range_narrower_than_two_tolerances_is_not_used():
    """A rectangle 5 m wide is even at 5 m, but only within 0.23 m: that spacing cannot be driven."""
    answer = overlap(laid([-2.5, -1.0, 0.0, 1.0, 2.5], [1, 1, 1, 1, 1])).by_driving["one_way"]
    low, high = answer.spacing_ranges[-1]
    assert low < 5.0 < high < low + 2 * DRIVING_TOLERANCE
    assert answer.widest_spacing < 2.7
    driven_exactly = overlap(laid([-2.5, -1.0, 0.0, 1.0, 2.5], [1, 1, 1, 1, 1]), driving_tolerance=0.0)
    assert driven_exactly.by_driving["one_way"].widest_spacing == high


def test_recommended_field_is_the_folded_one():
    answer = overlap(laid(POSITIONS, BELL)).by_driving["back_and_forth"]
    at = np.array([answer.recommended_spacing])
    even = superpose(positions=POSITIONS, rate=BELL, spacings=at, driving="back_and_forth")
    assert answer.recommended.cv[0] == even.cv[0]


def test_least_cv_spacing_of_a_triangle_is_its_half_base():
    """Of the spacings from half the half-rate width to all of it, the triangle is even at both ends: the wider one."""
    answer = overlap(laid([-4, -3, -2, -1, 0, 1, 2, 3, 4], [0, 1, 2, 3, 4, 3, 2, 1, 0]))
    width = answer.shape.half_rate_width
    for one in answer.by_driving.values():
        assert one.least_cv_spacing == pytest.approx(4.0, abs=1e-9)
        assert width / 2 <= one.least_cv_spacing <= width


def test_stations_run_from_the_first_to_the_last_step_within_the_limit():
    answer = overlap(laid(POSITIONS, BELL), evaluation="stations")
    for one in answer.by_driving.values():
        inside = one.cv <= 0.15
        assert one.spacing_ranges == ((answer.spacings[inside].min(), answer.spacings[inside].max()),)
    assert answer.n["one_way"].tolist() == list(range(2, 25))
    assert answer.n["back_and_forth"].tolist() == list(range(4, 50, 2))
    assert answer.deviation == "sample"


def test_extremes_at_stations_are_those_of_the_station_field():
    pans = laid(POSITIONS, BELL)
    answer = overlap(pans, evaluation="stations", spacings=np.array([5.5]))
    field = station_field(pattern=pans, spacing=5.5, driving="one_way")
    one = answer.by_driving["one_way"]
    assert one.relative_min[0] == pytest.approx(field.min() / field.mean(), rel=1e-12)
    assert one.relative_max[0] == pytest.approx(field.max() / field.mean(), rel=1e-12)


def test_dense_stations_come_close_to_the_continuous_evaluation():
    positions = np.linspace(-6.0, 6.0, 241)
    pans = laid(positions, 0.02 * np.exp(-((positions / 2.2) ** 2) / 2))
    at = np.array([5.0, 6.0, 7.0])
    continuous, dense = (overlap(pans, spacings=at, evaluation=how) for how in ("continuous", "stations"))
    for driving in DRIVINGS:
        assert dense.by_driving[driving].cv == pytest.approx(continuous.by_driving[driving].cv, rel=0.01)


@settings(max_examples=20, deadline=None)
@given(rates)
def test_mirroring_keeps_every_chosen_spacing(y):
    x = np.linspace(-3.0, 3.0, 11)
    there, back = overlap(laid(x, y), cv_limit=0.1537), overlap(laid(-x[::-1], y[::-1]), cv_limit=0.1537)
    for driving in DRIVINGS:
        one, other = there.by_driving[driving], back.by_driving[driving]
        assert other.cv == pytest.approx(one.cv, abs=1e-9)
        assert np.ravel(other.spacing_ranges) == pytest.approx(np.ravel(one.spacing_ranges), abs=1e-6)
    assert back.shape.left_share == pytest.approx(1 - there.shape.left_share, abs=1e-9)


@settings(max_examples=20, deadline=None)
@given(rates, st.floats(1e-4, 1e4))
def test_scaling_the_masses_changes_only_the_rates(y, factor):
    x = np.linspace(-3.0, 3.0, 11)
    one, other = overlap(laid(x, y)), overlap(laid(x, factor * np.array(y)))
    for driving in DRIVINGS:
        assert other.by_driving[driving].cv == pytest.approx(one.by_driving[driving].cv, abs=1e-9)
    assert other.mean_rate == pytest.approx(factor * one.mean_rate, rel=1e-9)


# Findings


def test_a_good_test_has_no_findings():
    assert overlap(laid(POSITIONS, BELL), rate=0.01, label_highest_rate=0.02).findings == ()


@pytest.mark.parametrize(("caught", "severity"), [(0.0005, "note"), (0.003, "look"), (0.006, "stop")])
def test_an_end_pan_that_is_not_empty_is_found(caught, severity):
    rate = BELL.copy()
    rate[-1] = caught
    answer = overlap(laid(POSITIONS, rate))
    finding = found(answer, "end_pan_not_empty")
    assert (finding.severity, finding.where) == (severity, ("positions", 24))
    assert finding.what.startswith("End pan 25 ")


@pytest.mark.parametrize(("side", "sign"), [("left", 1), ("right", -1)])
def test_a_skewed_pattern_says_which_side_is_heavy(side, sign):
    answer = overlap(laid(POSITIONS, BELL * (1 - sign * POSITIONS / 8)))
    assert f"heavy on the {side}" in found(answer, "pattern_skewed").what


def test_a_pattern_within_55_to_45_is_not_called_skewed():
    answer = overlap(laid(POSITIONS, BELL * (1 - POSITIONS / 50)))
    assert 0.5 < answer.shape.left_share < 0.55
    assert "pattern_skewed" not in {finding.code for finding in answer.findings}


def test_one_row_only_is_noted():
    one = replace(laid(POSITIONS, BELL), rows=1, noise=None, row_rates=BELL[None])
    assert codes(overlap(one)) == {("one_row_only", "note")}


def test_a_row_off_the_others_is_named():
    rows = np.tile(BELL, (3, 1)) * np.array([[1.0], [1.0], [1.4]])
    measured = pattern(positions=POSITIONS, masses=rows, passes=[1] * 3, headings=["same"] * 3, pan_area=1.0)
    finding = found(overlap(measured), "rows_disagree")
    assert finding.where == ("rows", 2)
    assert finding.what == "Row 3 caught 24% more than the mean of the rows."


def test_rows_of_another_shape_are_found_though_their_totals_agree():
    skewed = BELL * (1 + POSITIONS / 6)
    rows = np.array([skewed, skewed[::-1], skewed])
    measured = pattern(positions=POSITIONS, masses=rows, passes=[1] * 3, headings=["same"] * 3, pan_area=1.0)
    finding = found(overlap(measured), "rows_disagree")
    assert finding.where == ("rows",)
    assert "which way each row was driven" in finding.advice


def test_a_filled_pan_is_noted_by_row_and_pan():
    rows = np.tile(BELL, (3, 1))
    rows[1, 6] = np.nan
    measured = pattern(positions=POSITIONS, masses=rows, passes=[1] * 3, headings=["same"] * 3, pan_area=1.0)
    answer = overlap(measured)
    assert codes(answer) == {("missing_pan_filled", "note")}
    assert answer.findings[0].where == ("rows", 1, "masses", 6)
    assert "Pan 7 of row 2" in answer.findings[0].what


def test_few_pans_inside_the_half_rate_width_are_noted():
    thin = np.linspace(-6.0, 6.0, 13)
    answer = overlap(laid(thin, np.interp(thin, POSITIONS, BELL)))
    assert codes(answer) == {("few_pans", "note")}


def test_an_empty_middle_is_found():
    rate = np.where(np.abs(POSITIONS) < 1, 0.0, BELL)
    answer = overlap(laid(POSITIONS, rate))
    assert ("middle_empty", "look") in codes(answer)
    assert all(one.least_cv_spacing is None for one in answer.by_driving.values())


def test_no_spacing_within_the_limit_is_found_for_each_way_of_driving():
    comb = np.where(np.arange(25) % 6 == 3, 0.02, 0.0)
    answer = overlap(laid(POSITIONS, comb), cv_limit=0.01)
    missing = [finding.where for finding in answer.findings if finding.code == "no_spacing_within_limit"]
    assert missing == [("by_driving", driving) for driving in DRIVINGS]
    assert all(one.recommended_spacing is None for one in answer.by_driving.values())


def test_above_label_counts_the_heaviest_stripe_at_the_recommended_spacing():
    pans = laid(POSITIONS, BELL)
    most = {way: one.recommended.relative_max[0] for way, one in overlap(pans).by_driving.items()}
    between = 0.01 * (1 + most["one_way"]) / 2
    stopped = overlap(pans, rate=0.01, label_highest_rate=between, driving=("one_way",))
    assert codes(stopped) == {("above_label", "stop")}
    assert f"{0.01 * most['one_way'] / between:.1%}" in stopped.findings[0].what
    allowed = overlap(pans, rate=0.01, label_highest_rate=0.01 * max(most.values()) * (1 + 1e-9))
    assert allowed.findings == ()


def test_above_label_counts_the_rate_itself_where_no_spacing_is_recommended():
    comb = laid(POSITIONS, np.where(np.arange(25) % 6 == 3, 0.02, 0.0))
    answer = overlap(comb, cv_limit=0.01, rate=0.03, label_highest_rate=0.02, driving=("one_way",))
    assert found(answer, "above_label").severity == "stop"


# Refusals


@pytest.mark.parametrize(
    ("changes", "code", "where", "message"),
    [
        ({"spacings": np.array([1.0, 0.0])}, "bad_spacing", ("spacings", 1), "Spacing 2"),
        ({"spacings": np.array([np.nan])}, "bad_spacing", ("spacings", 0), "Spacing 1"),
        ({"spacings": np.array([np.inf])}, "bad_spacing", ("spacings", 0), "Spacing 1"),
        ({"spacings": np.array([0.01])}, "bad_spacing", ("spacings", 0), "Spacing 1"),
        ({"spacings": np.array([])}, "no_spacings", ("spacings",), "No spacing"),
        ({"cv_limit": 0.0}, "bad_cv_limit", ("cv_limit",), "CV limit"),
        ({"cv_limit": 1.0}, "bad_cv_limit", ("cv_limit",), "CV limit"),
        ({"cv_limit": 15.0}, "bad_cv_limit", ("cv_limit",), "CV limit"),
        ({"driving_tolerance": -0.1}, "bad_driving_tolerance", ("driving_tolerance",), "below zero"),
        ({"deviation": "sample"}, "sample_of_all_ground", ("deviation",), "no sample"),
        ({"driving": ()}, "bad_driving", ("driving",), "way of driving"),
        ({"driving": ("sideways",)}, "bad_driving", ("driving",), "way of driving"),
        ({"rate": 0.0}, "bad_rate", ("rate",), "The rate must"),
        ({"label_highest_rate": -1.0}, "bad_rate", ("label_highest_rate",), "label highest rate must"),
        (
            {"evaluation": "stations", "spacings": np.array([4.2])},
            "spacing_off_stations",
            ("spacings", 0),
            "whole",
        ),
        (
            {"evaluation": "stations", "spacings": np.array([4.0, 0.5])},
            "too_few_stations",
            ("spacings", 1),
            "Spacing 2",
        ),
    ],
)
def test_overlap_refuses_settings_that_cannot_be_computed(changes, code, where, message):
    with pytest.raises(CalibrationError, match=message) as refused:
        overlap(laid(POSITIONS, BELL), **changes)
    assert (refused.value.code, refused.value.where) == (code, where)
    assert refused.value.allowed


def test_one_station_is_enough_for_the_population_deviation():
    answer = overlap(laid(POSITIONS, BELL), evaluation="stations", deviation="population", spacings=np.array([0.5]))
    assert answer.by_driving["one_way"].cv.tolist() == [0.0]


def test_stations_refuse_uneven_pans_by_name():
    uneven = laid([-3.0, -2.0, -1.0, 0.0, 1.0, 2.5, 3.0], [0, 1, 2, 3, 2, 1, 0])
    with pytest.raises(CalibrationError, match="pan 6 is off"):
        overlap(uneven, evaluation="stations")


def test_measures_are_those_of_the_pattern():
    pans = laid(POSITIONS, BELL)
    assert overlap(pans).shape == shape(pans)
