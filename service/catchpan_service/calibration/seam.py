"""The seam: the ground between an edge and the first overlapped passes, and where the first of them goes."""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from .pattern import FloatArray

FirstHeading = Literal["same", "opposite"]

GAPS = 101
"""Gaps that a search looks at before it refines: a range of good gaps narrower than one step can be missed."""

ZOOM, ZOOMS = 11, 7
"""Gaps of each refinement, and how many there are: each narrows the search five times."""

SHORTEST = 1e-9
"""[m], pieces of ground shorter than this are rounding of coincident pans."""


@dataclass(frozen=True)
class Lane:
    """What one pass lays over the wanted rate, straight between knots; `away` [m] ascends away from the edge.

    Attributes
    ----------
    away, relative : FloatArray
        (n,) from the middle of the pass [m], and the rate there over the wanted rate.
    """

    away: FloatArray
    relative: FloatArray


@dataclass(frozen=True)
class Layout:
    """Passes along a straight edge. All distances are from the edge, inwards [m].

    Attributes
    ----------
    edge : tuple of Lane
        What one edge pass lays.
    first_edge, laid_width : float
        Where the first edge pass is, and the distance between edge passes [m].
    overlapped : tuple of Lane
        The first overlapped pass and the second, and so on by turns: one lane, or two back and forth.
    spacing : float
        Of the overlapped passes [m].
    lowest, highest : float
        Limits of the rate over the wanted rate.
    nearest : dict of str to float
        By its heading, how near to the edge the first overlapped pass may be [m].
    """

    edge: Lane
    first_edge: float
    laid_width: float
    overlapped: tuple[Lane, ...]
    spacing: float
    lowest: float
    highest: float
    nearest: dict[FirstHeading, float]

    def last_edge(self, edge_passes: int) -> float:
        """Return where the last of so many edge passes is [m]."""
        return self.first_edge + (edge_passes - 1) * self.laid_width


@dataclass(frozen=True)
class Seam:
    """How edge passes and overlapped passes meet.

    Attributes
    ----------
    edge_passes : int
    gap, first_overlapped : float
        Of the first overlapped pass from the last edge pass, and from the edge [m].
    first_heading : str
        ``same`` if the first overlapped pass is driven as the edge pass is, ``opposite`` the other way.
    gap_range : (float, float) or None
        [m], the gaps about this one that keep the limits too; None where none does.
    relative_min : float
        Smallest rate over the wanted rate, from the middle of the first edge pass to where only overlapped passes lie.
    relative_max : float
        The largest, from the edge on.
    light_strip : float
        [m], how far from the edge the rate first reaches the lowest that is wanted: this ground gets less.
    worst : float
        How far the worse of the two uses up its limit: 1 or less is within.
    """

    edge_passes: int
    gap: float
    first_overlapped: float
    first_heading: FirstHeading
    gap_range: tuple[float, float] | None
    relative_min: float
    relative_max: float
    light_strip: float
    worst: float

    @property
    def within(self) -> bool:
        """Whether both limits are kept, but for rounding."""
        return self.worst <= 1 + 1e-9


@dataclass(frozen=True)
class _Pieces:
    """The sum of some lanes: knots ascending, each twice, with the value to its left and to its right."""

    at: FloatArray
    value: FloatArray

    def __call__(self, places: FloatArray) -> FloatArray:
        """Return the sum at places that are no knots."""
        return np.asarray(np.interp(places, self.at, self.value, left=0.0, right=0.0), dtype=np.float64)


@dataclass
class _Search:
    """One number of edge passes and one heading of the first overlapped pass."""

    layout: Layout
    edge_passes: int
    heading: FirstHeading
    edge: _Pieces = field(init=False)
    lanes: _Pieces = field(init=False)
    last: float = field(init=False)

    def __post_init__(self) -> None:
        plan = self.layout
        self.last = plan.last_edge(self.edge_passes)
        places = [plan.first_edge + k * plan.laid_width for k in range(self.edge_passes)]
        self.edge = _summed([(plan.edge, place) for place in places])
        turns = plan.overlapped if self.heading == "same" else plan.overlapped[::-1]
        farthest = max(float(lane.away[-1]) for lane in (plan.edge, *turns)) - min(
            float(lane.away[0]) for lane in turns
        )
        count = 2 + int(farthest / plan.spacing)
        self.lanes = _summed([(turns[k % len(turns)], k * plan.spacing) for k in range(count)])

    def gaps(self) -> tuple[float, float]:
        """Return the smallest and the largest gap that make sense; the first is larger where none does."""
        away = min(float(lane.away[0]) for lane in self.layout.overlapped)
        return max(0.0, self.layout.nearest[self.heading] - self.last), float(self.layout.edge.away[-1]) - away

    def ground(self, gaps: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return start and length [m] of the straight pieces, and the field at a quarter and three: (g, m), (2, g, m).

        Beyond the zone, where only overlapped passes lie, pieces have no length.
        """
        plan, first = self.layout, self.last + gaps[:, None]
        away = max(float(lane.away[-1]) for lane in plan.overlapped)
        end = np.maximum(np.maximum(self.last + plan.edge.away[-1], first - plan.spacing + away), first)
        fixed = np.concatenate([[0.0, plan.first_edge], self.edge.at[::2]])
        knots = np.hstack([np.broadcast_to(fixed, (len(gaps), len(fixed))), first + self.lanes.at[::2], end])
        knots = np.sort(np.clip(knots, 0.0, end), axis=1)
        length = np.diff(knots, axis=1)
        at = knots[:, :-1] + length * np.array([0.25, 0.75])[:, None, None]
        return knots[:, :-1], length, self.edge(at) + self.lanes(at - first)

    def extremes(self, gaps: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return (g,) each: the smallest rate from the first edge pass on, and the largest from the edge on."""
        start, length, sides = self.ground(gaps)
        middle, half = sides.mean(axis=0), np.abs(sides[1] - sides[0])
        real = length > SHORTEST
        inner = real & (start + length / 2 > self.layout.first_edge)
        low = np.where(inner, middle - half, np.inf).min(axis=1)
        return np.maximum(low, 0.0), np.where(real, middle + half, 0.0).max(axis=1)

    def worst(self, gaps: FloatArray) -> FloatArray:
        """Return (g,), how far the worse limit is used up."""
        low, high = self.extremes(gaps)
        return np.maximum((1 - low) / (1 - self.layout.lowest), (high - 1) / (self.layout.highest - 1))

    def light_strip(self, gap: float) -> float:
        """Return [m] how far from the edge the field first reaches the lowest that is wanted."""
        start, length, sides = (part[..., 0, :] for part in self.ground(np.array([gap])))
        left, right = 1.5 * sides[0] - 0.5 * sides[1], 1.5 * sides[1] - 0.5 * sides[0]
        reached = (length > SHORTEST) & (np.maximum(left, right) >= self.layout.lowest)
        if not reached.any():
            return float((start + length).max())
        piece = int(np.argmax(reached))
        short = self.layout.lowest - left[piece]
        part = 0.0 if short <= 0 else short / (right[piece] - left[piece])
        return float(start[piece] + part * length[piece])


def seam(layout: Layout, *, most_edge_passes: int) -> Seam | None:
    """Find where the first overlapped pass goes, with as few edge passes as keep the limits.

    The field is exact for each gap. Gaps are looked at on an even grid, and the best is refined; with no number of
    edge passes within the limits, the one that comes nearest is answered.

    Parameters
    ----------
    layout : Layout
    most_edge_passes : int

    Returns
    -------
    Seam or None
        None where every overlapped pass that meets the edge passes would lie too near to the edge.
    """
    found: list[Seam] = []
    for edge_passes in range(1, most_edge_passes + 1):
        tried = [_best(_Search(layout, edge_passes, heading)) for heading in layout.nearest]
        found += sorted((one for one in tried if one is not None), key=lambda one: one.worst)[:1]
        if found and found[-1].within:
            return found[-1]
    return min(found, key=lambda one: one.worst, default=None)


def _best(search: _Search) -> Seam | None:
    low, high = search.gaps()
    if low > high:
        return None
    gaps = np.linspace(low, high, GAPS)
    worst = search.worst(gaps)
    gap = _refined(search, gaps, int(np.argmin(worst)))
    extremes = search.extremes(np.array([gap]))
    used = float(search.worst(np.array([gap]))[0])
    return Seam(
        search.edge_passes,
        gap,
        search.last + gap,
        search.heading,
        _range(search, gap, gaps, worst > 1) if used <= 1 else None,
        float(extremes[0][0]),
        float(extremes[1][0]),
        search.light_strip(gap),
        used,
    )


def _refined(search: _Search, gaps: FloatArray, place: int) -> float:
    """Return the best gap about a place of the grid; of equal ones the first."""
    for _ in range(ZOOMS):
        gaps = np.linspace(gaps[max(place - 1, 0)], gaps[min(place + 1, len(gaps) - 1)], ZOOM)
        place = int(np.argmin(search.worst(gaps)))
    return float(gaps[place])


def _range(search: _Search, gap: float, gaps: FloatArray, outside: NDArray[np.bool_]) -> tuple[float, float]:
    """Return the gaps about a good one up to where a limit is met."""
    below, above = gaps[outside & (gaps < gap)], gaps[outside & (gaps > gap)]
    low = _met(search, float(below[-1]), gap) if len(below) else min(float(gaps[0]), gap)
    high = _met(search, gap, float(above[0])) if len(above) else max(float(gaps[-1]), gap)
    return low, high


def _met(search: _Search, low: float, high: float) -> float:
    def over(gap: float) -> float:
        return float(search.worst(np.array([gap]))[0]) - 1

    return float(brentq(over, low, high, xtol=1e-9)) if over(low) * over(high) < 0 else low if over(low) <= 0 else high


def _summed(lanes: list[tuple[Lane, float]]) -> _Pieces:
    """Return the sum of lanes about their places, exact between all knots."""
    knots = np.unique(np.concatenate([lane.away + place for lane, place in lanes]))
    length = np.diff(knots)
    at = knots[:-1] + length * np.array([[0.25], [0.75]])
    sides = sum(
        (np.interp(at - place, lane.away, lane.relative, left=0.0, right=0.0) for lane, place in lanes),
        np.zeros_like(at),
    )
    ends = np.stack([1.5 * sides[0] - 0.5 * sides[1], 1.5 * sides[1] - 0.5 * sides[0]], axis=1)
    outer = np.concatenate([[0.0], ends.ravel(), [0.0]])
    return _Pieces(np.repeat(knots, 2), outer)
