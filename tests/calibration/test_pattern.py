"""From weighed pans to the pattern of one pass, and its measures."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate

from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.pattern import Pattern, pattern, shape

POSITIONS = np.linspace(-3.0, 3.0, 7)
MASSES = np.array([0.0, 0.010, 0.022, 0.030, 0.026, 0.012, 0.0])

masses = st.lists(st.floats(0, 1).map(lambda x: round(x, 3)), min_size=7, max_size=7).filter(lambda y: sum(y) > 0.1)


def weighed(**changes):
    row = {
        "positions": POSITIONS,
        "masses": MASSES[None],
        "passes": [1],
        "headings": ["same"],
        "pan_area": 0.25,
    }
    return pattern(**{**row, **changes})


def with_value(row, pan, value, rows=2):
    changed = np.tile(MASSES, (rows, 1))
    changed[row, pan] = value
    return {"masses": changed, "passes": [1] * rows, "headings": ["same"] * rows}


def test_rate_is_net_mass_over_area_and_passes():
    measured = weighed(
        masses=np.array([3 * MASSES + 0.1, 2 * MASSES + 0.1]),
        passes=[3, 2],
        headings=["same"] * 2,
        pan_tare=0.1,
    )
    assert measured.rate == pytest.approx(MASSES / 0.25, rel=1e-12)
    assert measured.noise == pytest.approx(0.0, abs=1e-12)
    assert measured.row_levels == pytest.approx([1.0, 1.0], rel=1e-12)


def test_an_opposite_row_is_mirrored():
    measured = weighed(masses=np.array([MASSES, MASSES[::-1]]), passes=[1, 1], headings=["same", "opposite"])
    assert measured.rate == pytest.approx(MASSES / 0.25, rel=1e-12)


def test_a_missing_pan_is_filled_straight_between_its_neighbours():
    measured = weighed(**with_value(1, 2, np.nan), pan_tare=0.0)
    assert measured.row_rates[1, 2] * 0.25 == pytest.approx((0.010 + 0.030) / 2, rel=1e-12)
    assert measured.filled == ((1, 2),)


def test_two_missing_pans_side_by_side_are_filled_by_distance():
    positions = np.array([-3.0, -2.0, -1.5, 0.0, 1.0, 2.0, 3.0])
    row = np.array([[0.0, np.nan, np.nan, 0.6, 0.4, 0.2, 0.0]])
    assert weighed(positions=positions, masses=row).rate[1:3] * 0.25 == pytest.approx([0.2, 0.3], rel=1e-12)


def test_missing_pans_of_an_opposite_row_are_named_as_they_were_given():
    changed = with_value(1, 1, np.nan) | {"headings": ["same", "opposite"]}
    measured = weighed(**changed)
    assert measured.filled == ((1, 1),)
    assert measured.row_rates[1, 5] * 0.25 == pytest.approx((0.0 + 0.022) / 2, rel=1e-12)


def test_noise_is_the_relative_scatter_that_was_put_in():
    """1,600 rows whose pans scatter by 6 %, and whose levels differ by 10 %, which does not count."""
    rng = np.random.default_rng(8)
    levels = rng.normal(1, 0.1, (1600, 1))
    rows = levels * MASSES * rng.normal(1, 0.06, (1600, 7))
    measured = weighed(masses=rows, passes=[1] * 1600, headings=["same"] * 1600)
    assert measured.noise == pytest.approx(0.06, rel=0.02)


def test_one_row_has_no_noise():
    assert weighed().noise is None


def test_measures_of_a_lopsided_triangle_by_hand():
    measures = shape(Pattern(np.array([-2.0, 0.0, 4.0]), np.array([0.0, 3.0, 0.0]), None, 1, np.zeros((1, 3))))
    assert measures.mass_per_length == pytest.approx(9.0, rel=1e-12)
    assert measures.left_share == pytest.approx(1 / 3, rel=1e-12)
    assert measures.centre_offset == pytest.approx(2 / 3, rel=1e-12)
    assert measures.centre_rate == pytest.approx(1.0, rel=1e-12)
    assert (measures.throw_left, measures.throw_right) == pytest.approx((1.9, 3.8), rel=1e-12)
    assert (measures.half_rate_left, measures.half_rate_right) == pytest.approx((5 / 3, 10 / 3), rel=1e-12)


@pytest.mark.parametrize("shift", [0.0, 0.5, 0.31])
def test_integrals_equal_quadrature(shift):
    x, y = POSITIONS + shift, MASSES + 0.004

    def moment(power, low=x[0]):
        return integrate.quad(lambda t: t**power * np.interp(t, x, y), low, x[-1], points=[*x, 0.0], limit=200)[0]

    measures = shape(Pattern(x, y, None, 1, y[None]))
    assert measures.mass_per_length == pytest.approx(moment(0), rel=1e-9)
    assert measures.centre_offset == pytest.approx(moment(1) / moment(0), rel=1e-9)
    assert measures.left_share == pytest.approx(1 - moment(0, low=0.0) / moment(0), rel=1e-9)


@pytest.mark.parametrize(
    ("positions", "centre"),
    [([-3, -1, 0, 1, 3], 3.0), ([-3, -1, 0.04, 1, 3], 3.0), ([-3, -1, 0.4, 1, 3], 2.5)],
)
def test_centre_rate_takes_the_pan_at_the_middle_and_its_neighbours_or_the_two_about_it(positions, centre):
    rate = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    measures = shape(Pattern(np.array(positions, dtype=float), rate, None, 1, rate[None]))
    assert measures.centre_rate == pytest.approx(centre, rel=1e-12)


def test_half_rate_width_takes_the_outermost_crossing_of_a_pattern_with_two_humps():
    rate = np.array([0.0, 8.0, 2.0, 4.0, 2.0, 8.0, 0.0])
    measures = shape(Pattern(POSITIONS, rate, None, 1, rate[None]))
    level = (2 + 4 + 2) / 3 / 2
    assert measures.half_rate_right == pytest.approx(3 - level / 8, rel=1e-12)


def test_an_empty_middle_has_no_half_rate_width():
    rate = np.array([0.0, 8.0, 0.0, 0.0, 0.0, 8.0, 0.0])
    measures = shape(Pattern(POSITIONS, rate, None, 1, rate[None]))
    assert (measures.half_rate_left, measures.half_rate_right, measures.half_rate_width) == (None, None, None)


def test_a_full_end_pan_ends_the_throw_at_that_pan():
    rate = np.array([8.0, 8.0, 8.0, 8.0, 8.0, 8.0, 0.0])
    assert shape(Pattern(POSITIONS, rate, None, 1, rate[None])).throw_left == 3.0


@settings(max_examples=80, deadline=None)
@given(masses, st.floats(-0.4, 0.4))
def test_mirroring_swaps_left_and_right(y, shift):
    x, rate = POSITIONS + shift, np.array(y)
    there, back = (
        shape(Pattern(x, rate, None, 1, rate[None])),
        shape(Pattern(-x[::-1], rate[::-1], None, 1, rate[None])),
    )
    assert back.mass_per_length == pytest.approx(there.mass_per_length, rel=1e-9)
    assert back.left_share == pytest.approx(1 - there.left_share, abs=1e-9)
    assert back.centre_offset == pytest.approx(-there.centre_offset, abs=1e-9)
    assert (back.throw_left, back.throw_right) == pytest.approx((there.throw_right, there.throw_left), abs=1e-9)


@settings(max_examples=80, deadline=None)
@given(masses, st.integers(2, 5))
def test_a_row_driven_several_times_is_as_several_rows_of_one_pass(y, count):
    one = weighed(masses=np.array([y]) * count, passes=[count])
    several = weighed(masses=np.tile(y, (count, 1)), passes=[1] * count, headings=["same"] * count)
    assert several.rate == pytest.approx(one.rate, rel=1e-12)


@pytest.mark.parametrize(
    ("changes", "code", "where", "message"),
    [
        ({"positions": np.array([0.0]), "masses": np.ones((1, 1))}, "too_few_pans", ("positions",), "3 pans"),
        (
            {"positions": np.array([0.0, 1.0]), "masses": np.ones((1, 2))},
            "too_few_pans",
            ("positions",),
            "3 pans",
        ),
        ({"positions": np.array([-3.0, -2, -1, np.nan, 1, 2, 3])}, "not_finite", ("positions", 3), "pan 4"),
        ({"positions": np.array([-3.0, -2, -1, -1, 1, 2, 3])}, "not_ascending", ("positions", 3), "Pan 4"),
        ({"positions": POSITIONS[::-1]}, "not_ascending", ("positions", 1), "Pan 2"),
        ({"positions": POSITIONS + 4}, "middle_not_covered", ("positions",), "middle of the pass"),
        ({"masses": MASSES[None, :5]}, "wrong_shape", ("rows",), "one mass for each pan"),
        (
            {"masses": np.empty((0, 7)), "passes": [], "headings": []},
            "wrong_shape",
            ("rows",),
            "one mass for each",
        ),
        ({"passes": [1, 2]}, "wrong_shape", ("rows",), "count of passes"),
        ({"passes": [0]}, "bad_passes", ("rows", 0, "passes"), "Row 1"),
        ({"passes": [1.5]}, "bad_passes", ("rows", 0, "passes"), "whole number"),
        ({"headings": ["north"]}, "bad_heading", ("rows", 0, "heading"), "row 1"),
        (
            {"headings": ["opposite"], "positions": POSITIONS + 0.2},
            "cannot_mirror",
            ("rows", 0, "heading"),
            "Row 1",
        ),
        ({"pan_area": 0.0}, "bad_pan_area", ("pan_area",), "above zero"),
        ({"pan_area": np.nan}, "bad_pan_area", ("pan_area",), "above zero"),
        ({"pan_tare": -0.1}, "bad_pan_tare", ("pan_tare",), "below zero"),
        (with_value(1, 3, np.inf), "not_finite", ("rows", 1, "masses", 3), "pan 4 in row 2"),
        (
            with_value(1, 3, -0.001),
            "mass_below_tare",
            ("rows", 1, "masses", 3),
            "Pan 4 in row 2 weighs less than nothing",
        ),
        (
            {"pan_tare": 0.011},
            "mass_below_tare",
            ("rows", 0, "masses", 0),
            "Pan 1 in row 1 weighs less than an empty pan",
        ),
        (with_value(0, 6, np.nan), "end_pan_missing", ("rows", 0, "masses", 6), "Pan 7 in row 1"),
        (with_value(1, 0, np.nan), "end_pan_missing", ("rows", 1, "masses", 0), "Pan 1 in row 2"),
        (with_value(1, slice(None), 0.0), "row_empty", ("rows", 1), "All pans of row 2 are empty"),
    ],
)
def test_pattern_refuses_what_is_no_row_of_pans(changes, code, where, message):
    with pytest.raises(CalibrationError, match=message) as refused:
        weighed(**changes)
    assert (refused.value.code, refused.value.where) == (code, where)
    assert refused.value.allowed
