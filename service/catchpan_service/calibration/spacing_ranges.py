"""All pass spacings at which the overlapped field stays within a limit of CV."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from catchpan_service.calibration.lag_products import lattice, overlap_cv
from catchpan_service.calibration.pattern import FloatArray, Pattern
from catchpan_service.calibration.superposition import Driving, superpose

SEARCH_FLOOR_SHARE = 1 / 16
"""Ranges are searched from this share of the row's width: as the spacing shrinks CV falls to 0 for any
pattern, and no crew drives sixteen passes over one spot."""

SEARCH_CEILING_SHARE = 2.0
"""Ranges are searched up to this share of the row's width. By Cauchy and Schwarz CV^2 + 1 is never below
spacing over width, so that beyond it CV is above 1, and no limit reaches there."""

GRID = 320
"""Intervals where the pans lie on no common lattice."""

_PLACES = np.linspace(0.0, 1.0, 5)
_COEFFICIENTS = np.linalg.inv(np.vander(_PLACES))
"""A quartic's coefficients, highest power first, from its values at the five places."""

_BERNSTEIN = np.linalg.inv(np.array([1, 4, 6, 4, 1]) * np.vander(_PLACES, increasing=True) * np.vander(1 - _PLACES))
"""Its Bernstein coefficients, between whose least and largest it stays."""


@dataclass(frozen=True)
class Search:
    """What a search over spacings found.

    Attributes
    ----------
    ranges : tuple of (float, float)
        [m], all intervals within the limit, ascending.
    spacings, cv : FloatArray
        [m], every spacing that was looked at, ascending, and CV there.
    """

    ranges: tuple[tuple[float, float], ...]
    spacings: FloatArray
    cv: FloatArray


def search(pattern: Pattern, driving: Driving, cv_limit: float) -> Search:
    """Find all ranges of spacing within a limit of population CV, continuous evaluation.

    Between two neighbouring breakpoints no pan position of one pass slides over one of another: the
    autocorrelation is cubic at every lag that counts, and CV^2 + 1 is quartic in the spacing. Five values
    hold such an interval whole. Its Bernstein coefficients bound it: where all have one sign there is no
    root, elsewhere all roots are taken. So no range is missed. Where the pans lie on no common lattice,
    breakpoints are too many: the intervals are an even grid, every root is refined, and a range narrower
    than a part of the gap between pans can be missed.

    Parameters
    ----------
    pattern : Pattern
    driving : str
        ``one_way`` or ``back_and_forth``.
    cv_limit : float
        Below 1.
    """
    edges, spacings, exact = _layout(pattern.position.tobytes(), driving)
    cv = overlap_cv(positions=pattern.position, rates=pattern.rate[None], spacings=spacings, driving=(driving,))
    excess = cv[driving][0] ** 2 - cv_limit**2
    cells = np.column_stack([excess[:-1].reshape(-1, 4), excess[4::4]])
    roots = _roots(edges, cells)
    if not exact:
        roots = _refined(pattern, driving, cv_limit, spacings, roots)
    bounds = np.unique(np.concatenate([edges[:1], roots, edges[-1:]]))
    inside = _value(edges, cells, (bounds[:-1] + bounds[1:]) / 2) <= 0
    return Search(joined(bounds[:-1], bounds[1:], inside), spacings, cv[driving][0])


def joined(low: FloatArray, high: FloatArray, inside: NDArray[np.bool_]) -> tuple[tuple[float, float], ...]:
    """Join neighbouring intervals that are inside the limit, (k,) each, to ranges."""
    change = np.diff(inside.astype(np.int8), prepend=0, append=0)
    starts, ends = low[np.flatnonzero(change == 1)], high[np.flatnonzero(change == -1) - 1]
    return tuple(zip(starts.tolist(), ends.tolist(), strict=True))


@lru_cache(maxsize=32)
def _layout(positions: bytes, driving: Driving) -> tuple[FloatArray, FloatArray, bool]:
    """Return the edges of intervals, the spacings to look at in them, and whether no breakpoint lies inside one."""
    x = np.frombuffer(positions)
    width = float(np.ptp(x))
    floor, ceiling = SEARCH_FLOOR_SHARE * width, SEARCH_CEILING_SHARE * width
    exact = lattice(x) is not None
    edges = np.linspace(floor, ceiling, GRID + 1)
    if exact:
        breaks = _breakpoints(x, driving, floor, 1e-9 * width)
        edges = np.concatenate([[floor], breaks[(breaks > floor) & (breaks < ceiling)], [ceiling]])
    inner = edges[:-1, None] + np.diff(edges)[:, None] * _PLACES[:-1]
    return edges, np.append(inner.ravel(), ceiling), exact


def _breakpoints(x: FloatArray, driving: Driving, floor: float, tolerance: float) -> FloatArray:
    """Return the spacings at which pan positions of two passes coincide: whole parts of their distances.

    Passes the same way at m spacings meet at differences of positions; a pass the other way, at an odd
    number of spacings, at their sums.
    """
    same, mirrored = (_distinct(np.abs(both).ravel(), tolerance) for both in (x[:, None] - x, x[:, None] + x))
    step = 1 if driving == "one_way" else 2
    parts = [same / m for m in range(step, int(same[-1] / floor) + 1, step)]
    if driving == "back_and_forth":
        parts += [mirrored / m for m in range(1, int(mirrored[-1] / floor) + 1, 2)]
    return _distinct(np.concatenate([np.array([floor]), *parts]), tolerance)


def _distinct(values: FloatArray, tolerance: float) -> FloatArray:
    """Return the values ascending, without those that repeat their neighbour."""
    values = np.sort(values)
    return values[np.diff(values, prepend=-np.inf) > tolerance]


def _roots(edges: FloatArray, cells: FloatArray) -> FloatArray:
    """Return the spacings at which the quartics are 0."""
    bounds = cells @ _BERNSTEIN.T
    mixed = np.flatnonzero((bounds.min(axis=1) <= 0) & (bounds.max(axis=1) >= 0))
    found = [edges[cell] + (edges[cell + 1] - edges[cell]) * _unit_roots(cells[cell]) for cell in mixed]
    return np.concatenate([np.empty(0), *found])


def _unit_roots(samples: FloatArray) -> FloatArray:
    """Return the real roots in (0, 1) of the quartic through five values."""
    coefficients = _COEFFICIENTS @ samples
    coefficients[np.abs(coefficients) < 1e-13 * np.abs(coefficients).max()] = 0.0
    roots = np.roots(coefficients)
    real = roots.real[np.abs(roots.imag) < 1e-9]
    return np.asarray(np.clip(real[(real > -1e-9) & (real < 1 + 1e-9)], 0.0, 1.0), dtype=np.float64)


def _value(edges: FloatArray, cells: FloatArray, spacings: FloatArray) -> FloatArray:
    """Return the quartics' values at spacings between the first edge and the last."""
    cell = np.clip(np.searchsorted(edges, spacings, side="right") - 1, 0, len(cells) - 1)
    part = (spacings - edges[cell]) / (edges[cell + 1] - edges[cell])
    powers = np.vander(part, 5)
    return np.asarray((powers @ _COEFFICIENTS * cells[cell]).sum(axis=1), dtype=np.float64)


def _refined(
    pattern: Pattern, driving: Driving, cv_limit: float, spacings: FloatArray, roots: FloatArray
) -> FloatArray:
    """Return the roots solved on the folded field, each between the two looked-at spacings about it."""
    excess = _excess(pattern, driving, cv_limit)
    after = np.clip(np.searchsorted(spacings, roots, side="right"), 1, len(spacings) - 1)
    brackets = {(spacings[place - 1], spacings[place]) for place in after.tolist()}
    return np.array([brentq(excess, *ends, xtol=1e-12) for ends in _crossed(excess, brackets)])


def _crossed(
    excess: Callable[[float], float], brackets: Iterable[tuple[float, float]]
) -> Iterable[tuple[float, float]]:
    return (ends for ends in brackets if excess(ends[0]) * excess(ends[1]) <= 0)


def _excess(pattern: Pattern, driving: Driving, cv_limit: float) -> Callable[[float], float]:
    def excess(spacing: float) -> float:
        at = np.array([spacing])
        even = superpose(positions=pattern.position, rate=pattern.rate, spacings=at, driving=driving)
        return float(even.cv[0]) - cv_limit

    return excess
