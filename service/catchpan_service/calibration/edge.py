"""Edge passes: how far from an edge to drive, what still lands beyond it, and where overlapped passes begin."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from .edge_findings import BEYOND, Beyond, DrivingSeam, edge_findings
from .edge_limits import (
    HIGHEST_RELATIVE,
    LOWEST_RELATIVE,
    OFF_TARGET_LIMIT,
    Limits,
    checked_limits,
    label_share,
    length,
)
from .errors import CalibrationError
from .findings import Finding
from .limits import limited
from .pattern import FloatArray, Pattern, shape
from .seam import FirstHeading, Lane, Layout, seam
from .stand_off import SIDES, Side, StandOff, check_row, outward, share_beyond, stand_off
from .superposition import DRIVINGS, Driving, superpose

SMALLEST_WIDTH = 0.05
"""[m], narrower than any edge pass."""

MOST_EDGE_PASSES = 3
"""Edge passes that are tried, unless told otherwise."""

SMALLEST_SPACING_SHARE = 1 / 8
"""Smallest pass spacing over the row's width: no crew drives eight passes over one spot."""

MOST_TRIED = 5
"""Edge passes that may be tried: more of them are headlands."""


@dataclass(frozen=True)
class EdgeAnswer:
    """The answer for one edge.

    Attributes
    ----------
    own : StandOff
        The smallest distance that keeps the limit.
    stand_off : float or None
        [m], the distance that is driven: the one given, else the smallest.
    share : float or None
        What lands beyond the edge of an edge pass's material there.
    distances, shares : FloatArray
        (k,) [m] that were asked, and what lands beyond the edge at each.
    laid_width : float
        [m], what an edge pass answers for, and the distance between edge passes.
    overlapped_stand_off : float or None
        [m], the smallest distance at which an overlapped pass, driven as the edge pass, keeps the limit.
    by_driving : dict of str to DrivingSeam
        Empty where there is no stand-off.
    findings : tuple of Finding
    """

    own: StandOff
    stand_off: float | None
    share: float | None
    distances: FloatArray
    shares: FloatArray
    laid_width: float
    overlapped_stand_off: float | None
    by_driving: dict[Driving, DrivingSeam]
    findings: tuple[Finding, ...]


def edge(
    pattern: Pattern,
    *,
    side: Side,
    pass_spacing: float,
    edge_pattern: Pattern | None = None,
    laid_width: float | None = None,
    given_stand_off: float | None = None,
    distances: ArrayLike | None = None,
    off_target_limit: float = OFF_TARGET_LIMIT,
    lowest_relative: float = LOWEST_RELATIVE,
    highest_relative: float = HIGHEST_RELATIVE,
    driving: Sequence[Driving] = DRIVINGS,
    most_edge_passes: int = MOST_EDGE_PASSES,
    beyond: Beyond | None = None,
    rate: float | None = None,
    label_highest_rate: float | None = None,
) -> EdgeAnswer:
    """Lay edge passes along a straight edge and overlapped passes beside them.

    The edge pass is driven at the stand-off, more of them a laid width apart, all with the edge on the same side.
    Every pass lays the wanted rate times its laid width, spread as its pattern says; pans never set the rate. One way,
    all overlapped passes are driven as the edge pass is. Back and forth they turn by turns, and the first is driven
    whichever way meets the edge passes better.

    Parameters
    ----------
    pattern : Pattern
        Of the overlapped passes.
    side : str
        Which side of the driver the edge is on, along the edge passes: ``left`` or ``right``.
    pass_spacing : float
        Of the overlapped passes [m].
    edge_pattern : Pattern, optional
        Of the edge passes, such as with one side shielded; by default the same.
    laid_width : float, optional
        What an edge pass answers for [m]; by default that of :func:`edge_width`.
    given_stand_off : float, optional
        Distance of the edge pass's middle from the edge [m]; by default the smallest that keeps the limit.
    distances : array_like, optional
        (k,) [m], distances to tell the share beyond the edge for.
    off_target_limit : float
        Largest share of a pass's material that may land beyond the edge.
    lowest_relative, highest_relative : float
        Limits of the rate over the wanted rate: below 1, and above 1.
    driving : sequence of str
        Any of ``one_way`` and ``back_and_forth``.
    most_edge_passes : int
        Edge passes that are tried, from 1 to 5.
    beyond : str, optional
        What lies beyond the edge, for the caution: ``turf``, ``water``, ``paving``, ``beds`` or ``other``.
    rate, label_highest_rate : float, optional
        [kg/m2], the rate that is wanted and the most that the label allows.

    Raises
    ------
    CalibrationError
        For settings that cannot be computed.

    Examples
    --------
    >>> rate = np.array([0.0, 0.02, 0.0])
    >>> laid = Pattern(np.array([-3.0, 0.0, 3.0]), rate, None, 1, rate[None])
    >>> answer = edge(laid, side="left", pass_spacing=3.0, driving=["one_way"])
    >>> met = answer.by_driving["one_way"].seam
    >>> met.edge_passes, round(met.gap, 6), round(met.relative_min, 6)
    (1, 3.0, 1.0)
    """
    limits = checked_limits(off_target_limit, lowest_relative, highest_relative)
    _check(driving, most_edge_passes, beyond)
    label = label_share(rate, label_highest_rate)
    along = pattern if edge_pattern is None else edge_pattern
    row = ("positions",) if edge_pattern is None else ("edge_pattern", "positions")
    check_row(along, row)
    own = stand_off(along, side=side, limit=limits.off_target)
    at = own.distance if given_stand_off is None else length("stand_off", given_stand_off, 0.0)
    spacing = _spacing(pattern, pass_spacing)
    width = edge_width(edge_pattern, spacing, laid_width)
    asked = np.asarray([] if distances is None else distances, dtype=np.float64)
    seams = {} if at is None else _seams(pattern, along, side, at, spacing, width, limits, driving, most_edge_passes)
    share = None if at is None else float(share_beyond(along, side=side, distances=[at])[0])
    return EdgeAnswer(
        own,
        at,
        share,
        asked,
        asked if distances is None else share_beyond(along, side=side, distances=asked),
        width,
        stand_off(pattern, side=side, limit=limits.off_target).distance,
        seams,
        edge_findings(
            along, row, side=side, own=own, share=share, seams=seams, limits=limits, beyond=beyond, label=label
        ),
    )


def edge_width(edge_pattern: Pattern | None, spacing: float, told: float | None = None) -> float:
    """Return what an edge pass answers for [m]: what was told, else the pass spacing.

    With a pattern of its own it is the mass per length over the largest rate, so that an edge pass alone lays nowhere
    more than the wanted rate.
    """
    if told is not None:
        return length("laid_width", told, SMALLEST_WIDTH)
    if edge_pattern is None:
        return spacing
    return shape(edge_pattern).mass_per_length / float(edge_pattern.rate.max())


def lane(pattern: Pattern, side: Side, width: float) -> Lane:
    """Return what a pass lays over the wanted rate, if it lays that rate times a width [m], away from an edge."""
    x, y = outward(pattern, side)
    return Lane(-x[::-1], y[::-1] * (width / float(np.trapezoid(y, x))))


def _seams(
    pattern: Pattern,
    along: Pattern,
    side: Side,
    at: float,
    spacing: float,
    width: float,
    limits: Limits,
    driving: Sequence[Driving],
    most: int,
) -> dict[Driving, DrivingSeam]:
    same, opposite = (side, SIDES[1 - SIDES.index(side)])
    lanes = {one: lane(pattern, one, spacing) for one in SIDES}
    near = {one: _nearest(pattern, one, limits.off_target) for one in SIDES}
    found: dict[Driving, DrivingSeam] = {}
    for way in driving:
        nearest: dict[FirstHeading, float] = {"same": near[same]}
        if way == "back_and_forth":
            nearest = {
                "opposite": max(near[opposite], near[same] - spacing),
                "same": max(near[same], near[opposite] - spacing),
            }
        turns = (lanes[same],) if way == "one_way" else (lanes[same], lanes[opposite])
        plan = Layout(lane(along, side, width), at, width, turns, spacing, limits.lowest, limits.highest, nearest)
        even = superpose(positions=pattern.position, rate=pattern.rate, spacings=np.array([spacing]), driving=way)
        met = seam(plan, most_edge_passes=most)
        found[way] = DrivingSeam(met, float(even.relative_min[0]), float(even.relative_max[0]))
    return found


def _nearest(pattern: Pattern, side: Side, limit: float) -> float:
    """Return how near to the edge an overlapped pass may be: its stand-off, or the whole row where it has none."""
    own = stand_off(pattern, side=side, limit=limit).distance
    return float(outward(pattern, side)[0][-1]) if own is None else own


def _check(driving: Sequence[Driving], most: int, beyond: Beyond | None) -> None:
    if not driving or set(driving) - set(DRIVINGS):
        message, allowed = "The way of driving is not known.", "one_way, back_and_forth or both"
        raise CalibrationError("bad_driving", message, where=("driving",), given=list(driving), allowed=allowed)
    if most not in range(1, MOST_TRIED + 1):
        message, allowed = "So many edge passes are not tried.", f"a whole number from 1 to {MOST_TRIED}"
        raise CalibrationError("bad_edge_passes", message, where=("most_edge_passes",), given=most, allowed=allowed)
    if beyond is not None and beyond not in BEYOND:
        message, allowed = "What lies beyond the edge is not known.", ", ".join(BEYOND)
        raise CalibrationError("bad_beyond", message, where=("beyond",), given=beyond, allowed=allowed)


def _spacing(pattern: Pattern, pass_spacing: float) -> float:
    """Return the pass spacing, if it is one."""
    smallest = SMALLEST_SPACING_SHARE * float(np.ptp(pattern.position))
    allowed = "an eighth of the row's width or more, up to 200 m"
    return float(limited("pass_spacing", pass_spacing, smallest, 200.0, allowed))
