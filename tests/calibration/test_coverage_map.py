"""Coverage maps: mass, areas, straight fields, brute force, symmetries, what is refused and what is found."""

import math
from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from catchpan_service.calibration.coverage import coverage
from catchpan_service.calibration.deposition import MOST_PIECES, Grid, Swath, grid_over, lay
from catchpan_service.calibration.driven import Plan, drive
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.outline import MOST_CORNERS, MOST_HOLES, MOST_POINTS, ground
from catchpan_service.calibration.pattern import Pattern
from catchpan_service.calibration.superposition import superpose


def laid(position, rate):
    position, rate = np.asarray(position, dtype=float), np.asarray(rate, dtype=float)
    return Pattern(position, rate, None, 1, rate[None])


TRIANGLE = laid([-3, 0, 3], [0, 0.02, 0])
LEANING = laid([-4, -3, -1, 0, 1, 2, 3.5, 5], [0, 0.001, 0.012, 0.013, 0.016, 0.011, 0.004, 0])
RATE = 0.01


def box(width, height, low=(0.0, 0.0)):
    return np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=float) + low


def circle(x, y, radius, points=48):
    turn = np.linspace(0, 2 * math.pi, points + 1)[:-1]
    return np.column_stack([x + radius * np.cos(turn), y + radius * np.sin(turn)])


def summed(answer):
    return float(answer.grid.rate.sum()) * answer.grid.cell**2


lawns = st.tuples(st.floats(15, 40), st.floats(15, 40), st.floats(0, 3), st.booleans())


@given(lawns, st.sampled_from(["one_way", "back_and_forth"]), st.sampled_from(["left", "right"]), st.integers(0, 1))
@settings(max_examples=15)
def test_all_that_is_spread_lies_somewhere(lawn, way, side, headlands):
    width, height, heading, pond = lawn
    answer = coverage(
        LEANING, outline=box(width, height), holes=[circle(8, 8, 2)] if pond else [], rate=RATE, pass_spacing=3.3,
        heading=heading, driving=way, side=side, headlands=headlands, cell=0.25, given_stand_off=1.5,
    )  # fmt: skip
    assert summed(answer) == pytest.approx(answer.material, rel=1e-3)
    assert answer.on_target + sum(one.mass for one in answer.off_target) == pytest.approx(summed(answer), rel=1e-9)
    assert answer.material == pytest.approx(
        RATE * sum(one.length * 3.3 for one in answer.passes)
    )  # the edge pass answers for the spacing here
    assert answer.histogram.sum() == pytest.approx(1)
    assert answer.mean_rate * answer.area == pytest.approx(answer.on_target, rel=0.02)


def test_passes_along_the_grid_keep_every_gram():
    for heading in (0.0, math.pi / 2):
        answer = coverage(
            LEANING, outline=box(31.3, 17.9), rate=RATE, pass_spacing=3.3, heading=heading, edge_passes=0, cell=0.37
        )
        assert summed(answer) == pytest.approx(answer.material, rel=1e-12)


def test_areas_lengths_and_material_of_plain_shapes():
    """A rectangle driven along x, and a round pond of 2 pi r (r + d) for the ring about it."""
    answer = coverage(TRIANGLE, outline=box(60, 30), rate=RATE, pass_spacing=3, edge_passes=0, cell=0.5)
    assert (answer.area, answer.pass_length, answer.material) == pytest.approx((1800, 600, 18))
    assert [one.kind for one in answer.passes] == ["overlapped"] * 10
    pond = circle(40, 40, 10, points=400)
    ringed = coverage(
        TRIANGLE, outline=box(80, 80), holes=[pond], rate=RATE, pass_spacing=3, given_stand_off=2.5, cell=0.5
    )
    outer, around = sorted((one for one in ringed.passes if one.kind == "edge"), key=lambda one: -one.length)
    assert outer.length == pytest.approx(4 * 75)
    assert around.length == pytest.approx(2 * math.pi * 12.5, rel=2e-3)
    assert ringed.area == pytest.approx(6400 - 100 * math.pi, rel=1e-3)


def test_what_is_left_of_half_a_spacing_or_less_gets_no_pass_of_its_own():
    """45 m by 3.6 m lanes is 12.5 of them; by 3.75 m it is 12, and the material is rate times area."""
    options = {"outline": box(90, 45), "rate": RATE, "edge_passes": 0, "cell": 0.5}
    part, whole = (coverage(TRIANGLE, pass_spacing=spacing, **options) for spacing in (3.6, 3.75))
    assert (len(part.passes), len(whole.passes)) == (12, 12)
    assert part.material == pytest.approx(RATE * 90 * 12 * 3.6)
    assert whole.material == pytest.approx(RATE * 90 * 45)


@pytest.mark.parametrize("pattern", [TRIANGLE, LEANING])
@pytest.mark.parametrize("way", ["one_way", "back_and_forth"])
@pytest.mark.parametrize("heading", [0.0, 0.4])
def test_the_inside_of_a_wide_field_is_the_endless_overlap(pattern, way, heading):
    spacing = 4.2
    answer = coverage(
        pattern, outline=box(90, 90), rate=RATE, pass_spacing=spacing, driving=way, heading=heading, edge_passes=0, cell=0.1
    )  # fmt: skip
    x, y = answer.grid.middles
    inner = answer.grid.rate[np.ix_(np.abs(y - 45) < 30, np.abs(x - 45) < 30)] / RATE
    even = superpose(positions=pattern.position, rate=pattern.rate, spacings=np.array([spacing]), driving=way)
    assert inner.mean() == pytest.approx(1, abs=0.01)
    assert inner.std() / inner.mean() == pytest.approx(even.cv[0], abs=0.004)
    assert (inner.min(), inner.max()) == pytest.approx((even.relative_min[0], even.relative_max[0]), abs=0.025)


def plain_rate(x, y, passes):
    """The rate at a point, pass by pass and piece by piece: where its foot lies on the piece, the pattern across."""
    total = 0.0
    for line, pattern, mass_per_length in passes:
        for (ax, ay), (bx, by) in pairwise(line):
            length = math.hypot(bx - ax, by - ay)
            ux, uy = (bx - ax) / length, (by - ay) / length
            along = (x - ax) * ux + (y - ay) * uy
            if 0 <= along < length:
                across = (x - ax) * uy - (y - ay) * ux
                level = np.interp(across, pattern.position, pattern.rate, left=0, right=0)
                total += level * mass_per_length / np.trapezoid(pattern.rate, pattern.position)
    return total


def test_cells_are_what_points_in_them_get():
    """64 points in each of 50 cells of a map with a pond, rings and slanting passes, each by a plain loop."""
    lawn, pond = [[0, 0], [34, 2], [38, 25], [15, 31], [-3, 18]], circle(14, 14, 3)
    answer = coverage(
        LEANING, outline=lawn, holes=[pond], rate=RATE, pass_spacing=3.6, heading=0.5, headlands=1, cell=0.4,
        given_stand_off=2,
    )  # fmt: skip
    passes = [(one.line, LEANING, RATE * 3.6) for one in answer.passes]
    rng = np.random.default_rng(4)
    x, y = answer.grid.middles
    rows, columns = (rng.integers(20, len(axis) - 20, 50) for axis in (y, x))
    points = (np.arange(8) + 0.5) / 8 * 0.4 - 0.2
    brute = [
        np.mean([plain_rate(x[c] + dx, y[r] + dy, passes) for dx in points for dy in points])
        for r, c in zip(rows, columns, strict=True)
    ]
    off = answer.grid.rate[rows, columns] - brute
    assert np.abs(off).mean() < 0.015 * RATE
    assert abs(off.mean()) < 0.004 * RATE


def test_off_target_is_what_random_points_beyond_the_edges_get():
    """Passes without edge passes: 4,000 points outside and 1,500 in the pond against the grid's sums."""
    pond = circle(12, 9, 4)
    answer = coverage(
        TRIANGLE, outline=box(24, 18), holes=[pond], rate=RATE, pass_spacing=3, heading=0.3, edge_passes=0, cell=0.2
    )
    passes = [(one.line, TRIANGLE, RATE * 3) for one in answer.passes]
    rng = np.random.default_rng(5)
    points = rng.uniform((-4, -4), (28, 22), (6000, 2))
    inside = shapely.contains_xy(shapely.Polygon(box(24, 18)), *points.T)
    wet = shapely.contains_xy(shapely.Polygon(pond), *points.T)
    rates = np.array([plain_rate(*point, passes) for point in points])
    for mass, there in zip([one.mass for one in answer.off_target], (~inside, wet), strict=True):
        error = 32 * 26 * np.std(rates * there) / math.sqrt(len(points))
        assert abs(32 * 26 * (rates * there).mean() - mass) < 3 * error
        assert mass > 5 * error
    assert [one.hole for one in answer.off_target] == [None, 0]


@pytest.mark.parametrize("turn", [0.7, math.pi / 2, 2.5])
def test_turning_plan_and_heading_together_changes_nothing(turn):
    lawn = np.array([[0, 0], [34, 2], [38, 25], [15, 31], [-3, 18]], dtype=float)
    rotation = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    options = {"rate": RATE, "pass_spacing": 3.6, "cell": 0.2, "given_stand_off": 2.0}
    one = coverage(LEANING, outline=lawn, heading=0.2, **options)
    other = coverage(LEANING, outline=lawn @ rotation, heading=0.2 + turn, **options)
    assert other.material == pytest.approx(one.material, rel=1e-9)
    assert other.cv == pytest.approx(one.cv, rel=0.02)
    assert (other.under, other.over) == pytest.approx((one.under, one.over), abs=0.005)
    assert [kind.kind for kind in other.passes] == [kind.kind for kind in one.passes]


def test_a_mirrored_plan_pattern_and_side_give_the_mirrored_map():
    lawn = np.array([[0, 0], [30, 0], [30, 21], [12, 27], [0, 21]], dtype=float)
    mirror = lawn * [-1, 1]
    turned = laid(-LEANING.position[::-1], LEANING.rate[::-1])
    options = {"rate": RATE, "pass_spacing": 3.6, "cell": 0.25, "given_stand_off": 2.0, "driving": "one_way"}
    one = coverage(LEANING, outline=lawn, side="right", heading=math.pi / 2, **options)
    other = coverage(turned, outline=mirror, side="left", heading=math.pi / 2, **options)
    assert other.material == pytest.approx(one.material, rel=0.05)
    edges = [sum(p.length for p in answer.passes if p.kind == "edge") for answer in (one, other)]
    assert edges[0] == pytest.approx(edges[1])
    only = {"headlands": 0, "edge_passes": 2, "laid_width": 3.0, "gap": 100.0}
    rings = [
        coverage(pattern, outline=ring, side=side, **(options | only))
        for pattern, ring, side in ((LEANING, lawn, "right"), (turned, mirror, "left"))
    ]
    assert {p.kind for p in rings[0].passes} == {"edge"}
    assert np.allclose(rings[0].grid.rate, rings[1].grid.rate[:, ::-1], atol=1e-4 * RATE)


def test_twice_the_rate_lays_twice_as_much_everywhere():
    one, two = (
        coverage(TRIANGLE, outline=box(20, 15), rate=rate, pass_spacing=3, cell=0.5) for rate in (RATE, 2 * RATE)
    )
    assert np.allclose(two.grid.rate, 2 * one.grid.rate, rtol=1e-9)
    assert (two.cv, two.under, two.over) == pytest.approx((one.cv, one.under, one.over))


def test_the_edge_side_of_a_shielded_pattern_points_at_the_edge_and_at_holes():
    """All material goes to the driver's left: with the edge on the right none leaves the ground, else half does."""
    shielded = laid([-3, -0.2, 0, 0.2], [0, 0.02, 0, 0])
    options = {"outline": box(24, 18), "holes": [circle(12, 9, 2)], "rate": RATE, "pass_spacing": 3.0,
               "edge_pattern": shielded, "given_stand_off": 0.5, "cell": 0.1, "gap": 100.0}  # fmt: skip
    away, towards = (coverage(TRIANGLE, side=side, **options) for side in ("right", "left"))
    assert {one.kind for one in away.passes} == {"edge"}
    assert sum(one.mass for one in away.off_target) < 0.01 * away.material
    assert min(one.mass for one in towards.off_target) > 0.1 * towards.material / 2
    assert {one.hole for one in towards.off_target} == {None, 0}


def test_passes_alternate_back_and_forth_and_run_one_way_otherwise():
    plan = {"edge_passes": 0, "headlands": 0, "stand_off": 0.0, "laid_width": 3.0, "gap": 3.0, "spacing": 3.0,
            "heading": 0.0, "side": "right"}  # fmt: skip
    lawn = ground(box(30, 12), [box(4, 4, low=(10, 2.5))])
    ahead = [np.sign(one.line[-1, 0] - one.line[0, 0]) for one in drive(lawn, Plan(driving="one_way", **plan))]
    turns = [one.line for one in drive(lawn, Plan(driving="back_and_forth", **plan))]
    assert ahead == [1.0] * len(ahead)
    assert [np.sign(line[-1, 0] - line[0, 0]) for line in turns] == [1, -1, -1, 1, -1]
    assert [line[0, 0] for line in turns] == pytest.approx([0, 30, 10, 0, 30])


def test_a_pass_stops_at_a_hole_and_goes_on_behind_it():
    answer = coverage(TRIANGLE, outline=box(30, 3), holes=[box(4, 1, low=(10, 1))], rate=RATE, pass_spacing=3,
                      edge_passes=0, cell=0.1)  # fmt: skip
    assert sorted(one.length for one in answer.passes) == pytest.approx([10, 16])
    x, y = answer.grid.middles
    middle = answer.grid.rate[np.argmin(np.abs(y - 1.45))]
    assert middle[(x > 10.1) & (x < 13.9)].max() == 0
    assert middle[(x > 1) & (x < 9.9)].min() > 0.9 * RATE


def codes(**options):
    usual = {"outline": box(60, 40), "rate": RATE, "pass_spacing": 3.0}
    return {(found.code, found.severity) for found in coverage(TRIANGLE, **(usual | options)).findings}


def test_findings_name_what_is_wrong_with_a_map():
    assert ("off_target", "look") in codes(edge_passes=0)
    assert ("keep_distance", "note") in codes(edge_passes=0)
    assert ("off_target", "look") not in codes()
    assert codes(given_stand_off=3.001) == {("under_dosed", "look")}
    assert ("over_dosed", "look") in codes(pass_spacing=3, gap=0.5, headlands=3, laid_width=9)
    assert ("coarse_cell", "note") in codes(cell=0.31)
    assert ("coarse_cell", "note") not in codes(cell=0.3)
    assert ("above_label", "stop") in codes(label_highest_rate=RATE / 1.1)
    assert ("above_label", "stop") not in codes(edge_passes=0, label_highest_rate=RATE * 1.01)
    assert ("edge_pass_does_not_fit", "look") in codes(outline=box(20, 5), given_stand_off=2.6, gap=0.0, pass_spacing=3)


def test_flat_ground_that_meets_the_rate_exactly_is_neither_under_nor_over():
    answer = coverage(
        TRIANGLE, outline=box(30, 30), rate=RATE, pass_spacing=3, edge_passes=0, cell=0.25, lowest_relative=0.999
    )
    x, y = answer.grid.middles
    assert np.allclose(answer.grid.rate[np.ix_(np.abs(y - 15) < 10, np.abs(x - 15) < 10)], RATE, rtol=0.02)
    assert answer.over == 0


CROSSED = [[0, 0], [20, 20], [20, 0], [0, 20]]
REFUSED = [
    ({"outline": [[0, 0], [9, 0]]}, "bad_ring", ("outline",), "three points"),
    ({"outline": [[0, 0], [9, 0], [9, 0], [0, 0]]}, "bad_ring", ("outline",), "differ"),
    ({"outline": np.zeros((3, 3))}, "bad_ring", ("outline",), "three points"),
    ({"outline": np.zeros((MOST_POINTS + 1, 2))}, "bad_ring", ("outline",), "three points"),
    ({"outline": [[0, 0], [9, np.nan], [9, 9]]}, "bad_point", ("outline", 1), "Point 2"),
    ({"outline": [[0, 0], [9, 0], [1e9, 9]]}, "bad_point", ("outline", 2), "Point 3"),
    ({"outline": box(30_000, 10)}, "plan_too_large", ("outline",), "wider"),
    ({"outline": CROSSED}, "crosses_itself", ("outline",), "crosses or touches itself near its point"),
    ({"outline": [[0, 0], [20, 0], [40, 0]]}, "crosses_itself", ("outline",), "crosses or touches itself"),
    ({"outline": box(0.5, 0.5)}, "ring_too_small", ("outline",), "no area"),
    ({"holes": [box(4, 4, low=(58, 5))]}, "hole_outside", ("holes", 0), "Hole 1"),
    ({"holes": [box(4, 4, low=(90, 5))]}, "hole_outside", ("holes", 0), "Hole 1"),
    ({"holes": [box(4, 4, low=(5, 5)), box(4, 4, low=(7, 7))]}, "holes_overlap", ("holes", 1), "Hole 1 and hole 2"),
    ({"holes": [box(4, 4, low=(5, 5)), box(1, 1, low=(6, 6))]}, "holes_overlap", ("holes", 1), "overlap"),
    ({"holes": [CROSSED]}, "crosses_itself", ("holes", 0), "crosses or touches itself"),
    ({"holes": [box(60, 40)]}, "no_ground_left", ("holes",), "no ground"),
    ({"holes": [box(1, 1)] * (MOST_HOLES + 1)}, "too_many_holes", ("holes",), "too many holes"),
    ({"holes": [np.zeros((MOST_CORNERS, 2))]}, "too_many_points", ("holes",), "too many points"),
    ({"rate": 0.0}, "bad_rate", ("rate",), "above zero"),
    ({"rate": np.inf}, "bad_rate", ("rate",), "above zero"),
    ({"pass_spacing": 0.0}, "bad_pass_spacing", ("pass_spacing",), "0.1 to 200 m"),
    ({"heading": 99.0}, "bad_heading", ("heading",), "one turn"),
    ({"driving": "round"}, "bad_driving", ("driving",), "way of driving"),
    ({"side": "up"}, "bad_side", ("side",), "side"),
    ({"edge_passes": 11}, "bad_rings", ("edge_passes",), "rings"),
    ({"headlands": -1}, "bad_rings", ("headlands",), "rings"),
    ({"given_stand_off": -1.0}, "bad_stand_off", ("stand_off",), "0 to 200 m"),
    ({"laid_width": 0.0}, "bad_laid_width", ("laid_width",), "0.05 to 200 m"),
    ({"gap": -1.0}, "bad_gap", ("gap",), "0 to 200 m"),
    ({"cell": 0.001}, "bad_cell", ("cell",), "0.01 to 100 m"),
    ({"cell": 90.0}, "cell_too_large", ("cell",), "No cell"),
    ({"cell": 0.02}, "too_many_cells", ("cell",), "too many cells"),
    ({"outline": box(170, 170), "pass_spacing": 0.3, "cell": 0.1}, "too_much_work", ("cell",), "too long"),
    ({"outline": box(400, 400), "pass_spacing": 0.2}, "too_many_passes", ("pass_spacing",), "too many passes"),
    ({"outline": box(3, 3)}, "no_pass_fits", ("outline",), "No pass fits"),
    ({"off_target_limit": 1.0}, "bad_off_target_limit", ("off_target_limit",), "below 100 %"),
    ({"lowest_relative": 1.0}, "bad_lowest_relative", ("lowest_relative",), "below 100 %"),
    ({"highest_relative": 1.0}, "bad_highest_relative", ("highest_relative",), "above 100 %"),
    ({"label_highest_rate": 0.0}, "bad_label_highest_rate", ("label_highest_rate",), "above zero"),
    ({"edge_pattern": laid(np.linspace(-3, 3, 121), np.ones(121))}, "too_many_pans",
     ("edge_pattern", "positions"), "too many pans"),
    ({"edge_pattern": laid([-3, 0, 3], [0.02, 0.02, 0.02])}, "no_stand_off", ("stand_off",), "ends inside the throw"),
]  # fmt: skip


@pytest.mark.parametrize(("options", "code", "where", "message"), REFUSED)
def test_what_cannot_be_mapped_is_refused(options, code, where, message):
    with pytest.raises(CalibrationError, match=message) as refused:
        coverage(TRIANGLE, **({"outline": box(60, 40), "rate": RATE, "pass_spacing": 3.0} | options))
    assert (refused.value.code, refused.value.where) == (code, where)
    assert refused.value.allowed


def test_what_a_refusal_allows_is_then_taken():
    """The cell that a refusal names is large enough, and only just."""
    for outline, spacing, cell in ((box(60, 40), 3.0, 0.02), (box(170, 170), 0.3, 0.1)):
        with pytest.raises(CalibrationError) as refused:
            coverage(TRIANGLE, outline=outline, rate=RATE, pass_spacing=spacing, cell=cell, edge_passes=0)
        enough = float(refused.value.allowed.split()[3])
        found = coverage(TRIANGLE, outline=outline, rate=RATE, pass_spacing=spacing, cell=enough, edge_passes=0)
        assert found.grid.cell == enough


def test_passes_with_too_many_bends_are_refused():
    grid = Grid(np.zeros(2), 1.0, np.zeros((5, 5)))
    line = np.column_stack([np.linspace(0, 5, MOST_PIECES + 2), np.zeros(MOST_PIECES + 2)])
    with pytest.raises(CalibrationError, match="too many bends") as refused:
        lay(grid, [(line, Swath(TRIANGLE, 0.03))])
    assert refused.value.code == "too_many_bends"


def test_holes_may_touch_each_other_and_the_outline():
    lawn = ground(box(30, 20), [box(4, 4), box(4, 4, low=(4, 0)), box(2, 2, low=(28, 18))])
    assert lawn.area.area == pytest.approx(600 - 16 - 16 - 4)
    closed = ground([[0, 0], [0, 0], [30, 0], [30, 20], [0, 20], [0, 0]])
    assert closed.area.area == 600


def test_a_short_piece_leaves_its_own_mass_wherever_it_lies():
    rng = np.random.default_rng(6)
    for _ in range(20):
        start, turn, length = rng.uniform(10, 20, 2), rng.uniform(0, 2 * math.pi), rng.uniform(0.2, 6)
        line = np.array([start, start + length * np.array([math.cos(turn), math.sin(turn)])])
        grid = grid_over(np.zeros(2), np.full(2, 30.0), 0.0, 0.2)
        lay(grid, [(line, Swath(LEANING, 0.05))])
        assert grid.rate.sum() * 0.04 == pytest.approx(0.05 * length, rel=2e-3)


rings = st.lists(st.tuples(st.floats(), st.floats()), max_size=6) | st.lists(
    st.tuples(st.integers(0, 9).map(float), st.integers(0, 9).map(float)), min_size=3, max_size=6
)


@given(rings, st.lists(rings, max_size=2), st.tuples(*[st.floats() | st.floats(0, 3) for _ in range(6)]))
@settings(max_examples=150)
def test_any_numbers_are_mapped_or_refused(outline, holes, numbers):
    rate, spacing, heading, off, width, gap = numbers
    try:
        answer = coverage(
            TRIANGLE, outline=outline, holes=holes, rate=rate, pass_spacing=spacing, heading=heading,
            given_stand_off=off, laid_width=width, gap=gap, cell=0.5,
        )  # fmt: skip
    except CalibrationError:
        return
    assert np.isfinite([answer.cv, answer.material, answer.mean_rate]).all()


@given(rings)
@settings(max_examples=200)
def test_any_ring_with_usual_settings_is_mapped_or_refused(outline):
    try:
        answer = coverage(TRIANGLE, outline=outline, rate=RATE, pass_spacing=1.5, cell=0.3, given_stand_off=0.4)
    except CalibrationError:
        return
    assert summed(answer) == pytest.approx(answer.material, rel=5e-3)
