"""Edge passes: what lands beyond, the stand-off, the seam, what is refused and what is found."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catchpan_service.calibration.edge import edge, edge_width, lane
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.pattern import Pattern, pattern
from catchpan_service.calibration.stand_off import share_beyond, stand_off


def laid(position, rate, noise=None, rows=1):
    position, rate = np.asarray(position, dtype=float), np.asarray(rate, dtype=float)
    return Pattern(position, rate, noise, rows, rate[None])


TRIANGLE = laid([-3, 0, 3], [0, 0.02, 0])
RECTANGLE = laid([-2, 0, 2], [0.01, 0.01, 0.01])
SHIELDED = laid([-2, -1, -0.9, 0, 3], [0, 0, 0.015, 0.02, 0])
LEANING = laid([-4, -3, -1, 0, 1, 2, 3.5, 5], [0, 0.001, 0.012, 0.013, 0.016, 0.011, 0.004, 0])

patterns = st.lists(st.floats(0.001, 1), min_size=3, max_size=9).map(
    lambda rates: laid(np.linspace(-4, 3, len(rates) + 2), [0, *rates, 0])
)


def mirrored(one):
    return laid(-one.position[::-1], one.rate[::-1])


def test_what_a_triangle_throws_beyond_an_edge():
    """(L - d)^2 / 2 L^2 in closed form, and its inverse, L (1 - sqrt(2 p))."""
    far = np.array([0.0, 0.7, 2.5, 3.0, 9.0])
    beyond = np.maximum(3 - far, 0) ** 2 / 18
    for side in ("left", "right"):
        assert share_beyond(TRIANGLE, side=side, distances=far) == pytest.approx(beyond, abs=1e-15)
        assert share_beyond(TRIANGLE, side=side, distances=-far) == pytest.approx(1 - beyond, abs=1e-15)
    for limit in (0.0, 0.01, 0.3, 0.5):
        assert stand_off(TRIANGLE, side="left", limit=limit).distance == pytest.approx(3 * (1 - np.sqrt(2 * limit)))


def test_what_a_rectangle_throws_beyond_an_edge():
    assert share_beyond(RECTANGLE, side="left", distances=[0.5, 1.5]) == pytest.approx([0.375, 0.125])
    assert stand_off(RECTANGLE, side="left", limit=0.55).distance == 0.0
    wide = laid([-2, -1.99, 1.99, 2], [0, 0.01, 0.01, 0])
    assert stand_off(wide, side="right", limit=0.1).distance == pytest.approx(2 - 0.005 - 0.1 * 3.99)


@given(patterns, st.floats(0, 0.9))
def test_the_stand_off_is_the_smallest_that_keeps_the_limit(one, limit):
    found = stand_off(one, side="right", limit=limit)
    assert found.share <= limit + 1e-12
    if found.distance > 1e-6:
        nearer = share_beyond(one, side="right", distances=[found.distance - 1e-6])[0]
        assert nearer > limit - 1e-12
        assert found.share == pytest.approx(limit, abs=1e-9)


@given(patterns, st.lists(st.floats(-6, 6), min_size=2, max_size=9))
def test_shares_fall_with_distance_mirror_and_add_up_to_all(one, far):
    far = np.sort(far)
    right = share_beyond(one, side="right", distances=far)
    assert (np.diff(right) <= 1e-12).all()
    assert right + share_beyond(one, side="left", distances=-far) == pytest.approx(1.0)
    assert right == pytest.approx(share_beyond(mirrored(one), side="left", distances=far))
    fine = np.linspace(-4, 3, 40_001)
    rates = np.interp(fine, one.position, one.rate)
    summed = [rates[fine > distance].sum() / rates.sum() for distance in far]
    assert right == pytest.approx(summed, abs=2e-4)


def test_the_uncertainty_of_a_stand_off_is_how_far_repeated_pan_tests_scatter():
    """600 invented pan tests of 3 rows, whose pans scatter by 8 %."""
    rng = np.random.default_rng(8)
    x = np.linspace(-4, 4, 17)
    bell = np.maximum(np.cos(x * np.pi / 8), 0.0) ** 2
    bell[[0, -1]] = 0.0
    seen, told = [], []
    for _ in range(600):
        masses = bell * (1 + 0.08 * rng.standard_normal((3, 17)))
        one = pattern(positions=x, masses=masses, passes=[1] * 3, headings=["same"] * 3, pan_area=0.1)
        found = stand_off(one, side="left", limit=0.02)
        seen.append((found.distance, found.uncertainty))
        told.append(found.share_uncertainty)
    distance, u = np.array(seen).T
    assert distance.std() == pytest.approx(np.sqrt((u**2).mean()), rel=0.1)
    assert np.mean(np.abs(distance - distance.mean()) < 2 * u) == pytest.approx(0.95, abs=0.04)
    assert min(told) > 0
    assert stand_off(TRIANGLE, side="left").uncertainty is None


def summed(passes, places):
    """The field by summing each pass at each place: pattern, its side away from the edge, middle, laid width."""
    total = np.zeros_like(places)
    for each, inward, middle, answers_for in passes:
        rates = np.interp(inward * (places - middle), each.position, each.rate, left=0, right=0)
        total += rates * answers_for / np.trapezoid(each.rate, each.position)
    return total


def overlapped(one, side, spacing, seam, way, numbers):
    inward = 1 if side == "left" else -1
    for k in numbers:
        turned = way == "back_and_forth" and (k % 2 == 1) != (seam.first_heading == "opposite")
        yield one, -inward if turned else inward, seam.first_overlapped + k * spacing, spacing


def brute(one, along, side, at, width, spacing, seam, way, places):
    inward = 1 if side == "left" else -1
    edges = [(along, inward, at + k * width, width) for k in range(seam.edge_passes)]
    return summed([*edges, *overlapped(one, side, spacing, seam, way, range(30))], places)


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("way", ["one_way", "back_and_forth"])
@pytest.mark.parametrize("along", [None, SHIELDED, mirrored(SHIELDED)])
def test_the_seam_is_what_summing_all_passes_gives(side, way, along):
    answer = edge(LEANING, side=side, pass_spacing=3.1, edge_pattern=along, driving=[way], lowest_relative=0.85)
    seam, width = answer.by_driving[way].seam, answer.laid_width
    places = np.linspace(0, 20, 40_001) + 1e-7
    field = brute(LEANING, along or LEANING, side, answer.stand_off, width, 3.1, seam, way, places)
    endless = summed(overlapped(LEANING, side, 3.1, seam, way, range(-30, 30)), places)
    zone = places < max(places[np.abs(field - endless) > 1e-9].max(), seam.first_overlapped)
    assert seam.relative_max == pytest.approx(field[zone].max(), abs=0.002)
    assert seam.relative_min == pytest.approx(field[zone & (places > answer.stand_off)].min(), abs=0.002)
    assert seam.light_strip == pytest.approx(places[np.argmax(field >= 0.85)], abs=1e-3)
    beyond = answer.by_driving[way]
    assert (beyond.overlapped_min, beyond.overlapped_max) == pytest.approx(
        (endless.min(), endless.max()), abs=0.002
    )  # fmt: skip


def test_no_other_gap_is_better():
    for way in ("one_way", "back_and_forth"):
        answer = edge(LEANING, side="left", pass_spacing=3.4, driving=[way], lowest_relative=0.8)
        best = answer.by_driving[way].seam
        places = np.linspace(answer.stand_off, 12, 3001) + 1e-7

        def used(gap, best=best, way=way, at=answer.stand_off, places=places):
            moved = type(best)(**{**vars(best), "first_overlapped": at + gap})
            field = brute(LEANING, LEANING, "left", at, 3.4, 3.4, moved, way, places)
            return max((1 - field[:2000].min()) / 0.2, (field[:2000].max() - 1) / 0.25)

        assert used(best.gap) <= min(used(gap) for gap in np.linspace(0, 8, 161)) + 0.02
        low, high = best.gap_range
        assert max(used(low + 1e-3), used(high - 1e-3)) <= 1.001
        assert min(used(low - 0.02), used(high + 0.02)) > 1


def test_like_patterns_meet_where_overlapped_passes_would_and_a_triangle_leaves_no_stripe():
    for way in ("one_way", "back_and_forth"):
        seam = edge(TRIANGLE, side="left", pass_spacing=3.0, driving=[way]).by_driving[way].seam
        assert (seam.edge_passes, seam.gap) == (1, pytest.approx(3.0, abs=1e-5))
        assert (seam.relative_min, seam.relative_max) == pytest.approx((1, 1), abs=1e-5)
        assert seam.gap_range == pytest.approx((2.25, 3.75), abs=1e-6)  # a triangle shows a miss as miss / spacing


def test_half_a_triangle_at_the_edge_meets_whole_ones_without_a_stripe():
    half = laid([-1e-3, 0, 3], [0, 0.02, 0])
    answer = edge(TRIANGLE, side="left", pass_spacing=3.0, edge_pattern=half, off_target_limit=0.02)
    assert answer.laid_width == pytest.approx(1.5, rel=1e-3)
    seam = answer.by_driving["one_way"].seam
    assert (answer.stand_off, seam.gap, seam.light_strip) == pytest.approx((0, 3, 0), abs=2e-3)
    assert (seam.relative_min, seam.relative_max) == pytest.approx((1, 1), abs=2e-3)


@given(patterns, st.sampled_from(["one_way", "back_and_forth"]))
@settings(max_examples=15)
def test_a_mirrored_pattern_at_the_other_side_gives_the_same(one, way):
    answers = [
        edge(each, side=side, pass_spacing=2.9, driving=[way], off_target_limit=0.3, most_edge_passes=2)
        for each, side in ((one, "left"), (mirrored(one), "right"))
    ]
    left, right = (answer.by_driving[way].seam for answer in answers)
    assert answers[0].stand_off == pytest.approx(answers[1].stand_off)
    assert (left.relative_min, left.relative_max) == pytest.approx((right.relative_min, right.relative_max), abs=1e-6)


def test_more_material_or_a_larger_scale_changes_no_share():
    large = laid(2 * LEANING.position, 7 * LEANING.rate)
    one, other = edge(LEANING, side="left", pass_spacing=3), edge(large, side="left", pass_spacing=6)
    assert other.stand_off == pytest.approx(2 * one.stand_off)
    for way, met in one.by_driving.items():
        assert other.by_driving[way].seam.gap == pytest.approx(2 * met.seam.gap, abs=1e-4)
        assert other.by_driving[way].seam.relative_max == pytest.approx(met.seam.relative_max, abs=1e-4)


def test_a_shield_lets_the_edge_pass_nearer_and_the_overlapped_ones_keep_the_limit():
    answer = edge(TRIANGLE, side="left", pass_spacing=3.0, edge_pattern=SHIELDED)
    assert (answer.stand_off, answer.overlapped_stand_off) == pytest.approx((0.92, 2.58), abs=0.01)
    assert all(met.seam.first_overlapped >= answer.overlapped_stand_off for met in answer.by_driving.values())
    narrow = laid([-0.6, -0.5, 0, 0.5, 0.6], [0, 0.02, 0.02, 0.02, 0])
    many = edge(TRIANGLE, side="left", pass_spacing=3.0, edge_pattern=narrow, driving=["one_way"], most_edge_passes=5)
    few = edge(TRIANGLE, side="left", pass_spacing=3.0, edge_pattern=narrow, driving=["one_way"], most_edge_passes=1)
    assert many.by_driving["one_way"].seam.edge_passes > 1
    assert many.by_driving["one_way"].seam.worst <= few.by_driving["one_way"].seam.worst


def test_an_edge_pass_alone_lays_nowhere_more_than_the_wanted_rate():
    assert lane(SHIELDED, "left", edge_width(SHIELDED, 3.0)).relative.max() == pytest.approx(1.0)
    assert edge_width(None, 3.0) == 3.0


def codes(one, **options):
    return {(found.code, found.severity) for found in edge(one, side="left", pass_spacing=3.0, **options).findings}


def test_findings_name_what_is_wrong_at_an_edge():
    assert codes(TRIANGLE) == {("light_strip", "note")}
    assert ("beyond_edge", "look") in codes(TRIANGLE, given_stand_off=1.0)
    assert ("keep_distance", "note") in codes(TRIANGLE, beyond="water")
    assert codes(TRIANGLE, beyond="turf") == {("light_strip", "note")}
    assert ("above_label", "stop") in codes(TRIANGLE, rate=0.02, label_highest_rate=0.019)
    assert ("above_label", "stop") not in codes(TRIANGLE, rate=0.02, label_highest_rate=0.02001)
    assert ("overlap_out_of_limits", "look") in codes(laid([-2, 0, 2], [0, 0.02, 0]))
    assert ("seam_out_of_limits", "look") in codes(LEANING, lowest_relative=0.99, highest_relative=1.01)


def test_a_row_that_ends_in_the_throw_shows_no_stand_off():
    cut = laid([-3, -2, 0, 3], [0.008, 0.01, 0.02, 0])
    answer = edge(cut, side="left", pass_spacing=3.0)
    assert (answer.stand_off, answer.share, answer.by_driving) == (None, None, {})
    (found,) = answer.findings
    assert (found.code, found.severity, found.where) == ("no_stand_off", "stop", ("positions", 0))
    assert edge(cut, side="right", pass_spacing=3.0).stand_off > 0
    own = edge(TRIANGLE, side="left", pass_spacing=3.0, edge_pattern=cut).findings[0]
    assert own.where == ("edge_pattern", "positions", 0)
    slightly = laid([-3, -2.9, 0, 3], [0.0002, 0.001, 0.02, 0])
    assert ("end_pan_not_empty", "note") in codes(slightly)


def test_no_overlapped_pass_may_throw_over_the_edge_either():
    """The overlapped pass throws 12 m, and one edge pass of a metre does not reach that far."""
    far = laid([-12, 0, 12], [0, 0.02, 0])
    narrow = laid([-0.5, 0, 0.5], [0, 0.02, 0])
    answer = edge(far, side="left", pass_spacing=12, edge_pattern=narrow, off_target_limit=0, most_edge_passes=1)
    assert answer.by_driving["one_way"].seam.first_overlapped >= 12
    shallow = laid([-12, 0, 0.5], [0, 0.02, 0])
    answer = edge(shallow, side="left", pass_spacing=6, edge_pattern=narrow, off_target_limit=0, driving=["one_way"])
    assert answer.by_driving["one_way"].seam is None or answer.by_driving["one_way"].seam.first_overlapped >= 12


@pytest.mark.parametrize(
    ("options", "code", "where", "message"),
    [
        ({"side": "up"}, "bad_side", ("side",), "side"),
        ({"pass_spacing": 0.1}, "bad_pass_spacing", ("pass_spacing",), "an eighth"),
        ({"pass_spacing": float("nan")}, "bad_pass_spacing", ("pass_spacing",), "an eighth"),
        ({"laid_width": 0.0}, "bad_laid_width", ("laid_width",), "0.05 to 200 m"),
        ({"given_stand_off": -1.0}, "bad_stand_off", ("stand_off",), "0 to 200 m"),
        ({"distances": [1.0, np.inf]}, "bad_distances", ("distances", 1), "distances"),
        ({"distances": []}, "wrong_shape", ("distances",), "shape"),
        ({"off_target_limit": 1.0}, "bad_off_target_limit", ("off_target_limit",), "below 100 %"),
        ({"lowest_relative": 1.0}, "bad_lowest_relative", ("lowest_relative",), "below 100 %"),
        ({"highest_relative": 1.0}, "bad_highest_relative", ("highest_relative",), "above 100 %"),
        ({"driving": []}, "bad_driving", ("driving",), "way of driving"),
        ({"driving": ["round"]}, "bad_driving", ("driving",), "way of driving"),
        ({"most_edge_passes": 0}, "bad_edge_passes", ("most_edge_passes",), "edge passes"),
        ({"beyond": "the moon"}, "bad_beyond", ("beyond",), "beyond the edge"),
        ({"rate": 0.0}, "bad_rate", ("rate",), "above zero"),
        ({"edge_pattern": laid(np.linspace(-3, 3, 121), np.ones(121))}, "too_many_pans",
         ("edge_pattern", "positions"), "too many pans"),
    ],
)  # fmt: skip
def test_what_cannot_be_an_edge_is_refused(options, code, where, message):
    with pytest.raises(CalibrationError, match=message) as refused:
        edge(TRIANGLE, **({"side": "left", "pass_spacing": 3.0} | options))
    assert (refused.value.code, refused.value.where) == (code, where)
    assert refused.value.allowed


@given(
    st.lists(st.floats(0, allow_infinity=False), min_size=3, max_size=6),
    st.floats(1e-6, 1e200),
    st.lists(st.floats(), max_size=3),
    st.tuples(*[st.floats() | st.floats(0, 4) for _ in range(6)]),
)
@settings(max_examples=60)
def test_any_numbers_are_computed_or_refused(rates, width_of_row, distances, numbers):
    spacing, width, off, limit, lowest, highest = numbers
    one = laid(np.linspace(-width_of_row, width_of_row, len(rates)), rates)
    try:
        answer = edge(
            one, side="left", pass_spacing=spacing, laid_width=width, given_stand_off=off, distances=distances,
            off_target_limit=limit, lowest_relative=lowest, highest_relative=highest, most_edge_passes=2,
        )  # fmt: skip
    except CalibrationError:
        return
    assert all(met.seam is None or np.isfinite(met.seam.worst) for met in answer.by_driving.values())
