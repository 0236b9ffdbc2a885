"""What one pass throws beyond an edge, and how far from the edge it has to stay."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from .edge_limits import OFF_TARGET_LIMIT
from .errors import CalibrationError
from .limits import limited
from .pattern import FloatArray, Pattern

Side = Literal["left", "right"]
SIDES: tuple[Side, Side] = ("left", "right")

MOST_PANS = 120
"""Pans in a row that meets an edge or an outline, to bound the cost; test halls use 80 (Jones, Lawrence and Yule)."""

FARTHEST = 1000.0
"""[m], beyond any spreader."""

SMALLEST_GAP, HEAVIEST, LIGHTEST = 1e-3, 1e3, 1e-6
"""[m], [kg/m2] and [kg/m], beyond any row of pans."""


@dataclass(frozen=True)
class StandOff:
    """The smallest distance of the pass's middle from the edge that keeps a limit.

    Attributes
    ----------
    distance : float or None
        [m]; None where the row of pans ends inside the throw, so that no distance is shown to keep the limit.
    share : float
        What lands beyond the edge at that distance; where there is none, what may fly beyond the row.
    share_uncertainty, uncertainty : float or None
        Standard uncertainties of the share and of the distance [m], from the scatter of pans; None with one row.
    """

    distance: float | None
    share: float
    share_uncertainty: float | None
    uncertainty: float | None


def outward(pattern: Pattern, side: Side) -> tuple[FloatArray, FloatArray]:
    """Return pan positions [m] ascending towards the edge, and their rates [kg/m2]."""
    if side not in SIDES:
        message = "The side of the edge is not known."
        raise CalibrationError("bad_side", message, where=("side",), given=side, allowed="left or right")
    check_row(pattern)
    if side == "right":
        return pattern.position, pattern.rate
    return -pattern.position[::-1], pattern.rate[::-1]


def check_row(pattern: Pattern, where: tuple[str | int, ...] = ("positions",)) -> None:
    """Refuse a row of too many pans, or one that no spreader lays; `where` is the path of its positions."""
    pans = len(pattern.position)
    if pans > MOST_PANS:
        message, allowed = "The row has too many pans for this computation.", f"up to {MOST_PANS} pans"
        raise CalibrationError("too_many_pans", message, where=where, given=pans, allowed=allowed)
    width, most = float(np.abs(pattern.position).max()), float(pattern.rate.max())
    if not (float(np.diff(pattern.position).min()) >= SMALLEST_GAP and width <= FARTHEST and most <= HEAVIEST):
        message = "The pans lie too close together or too far out, or caught more than any spreader lays."
        allowed = "pans a millimetre apart or more, within 1000 m, up to 1000 kg/m2"
        raise CalibrationError("row_out_of_range", message, where=where, given=None, allowed=allowed)
    if float(np.trapezoid(pattern.rate, pattern.position)) < LIGHTEST:
        message, allowed = "The pans caught next to nothing.", "a milligram or more for each metre driven"
        raise CalibrationError("row_empty", message, where=where, given=None, allowed=allowed)


def share_beyond(pattern: Pattern, *, side: Side, distances: ArrayLike) -> FloatArray:
    """Return the share of a pass's material that lands beyond an edge.

    The integral of the piecewise-linear pattern beyond the distance, over all of it: exact. Nothing lies beyond the
    outermost pan.

    Parameters
    ----------
    pattern : Pattern
    side : str
        Which side of the driver the edge is on: ``left`` or ``right``.
    distances : array_like
        (k,) of the pass's middle from the edge [m]; negative where it has crossed it.

    Raises
    ------
    CalibrationError
        For a side or a distance that is none.

    Examples
    --------
    >>> rate = np.array([0.0, 0.02, 0.0])
    >>> laid = Pattern(np.array([-3.0, 0.0, 3.0]), rate, None, 1, rate[None])
    >>> share_beyond(laid, side="left", distances=[0.0, 1.5, 3.0]).tolist()
    [0.5, 0.125, 0.0]
    """
    x, y = outward(pattern, side)
    at = limited("distances", distances, -FARTHEST, FARTHEST, "no further than a spreader throws", dimensions=1)
    return np.asarray(_tail(x, y[:, None], at)[:, 0] / np.trapezoid(y, x), dtype=np.float64)


def stand_off(pattern: Pattern, *, side: Side, limit: float = OFF_TARGET_LIMIT) -> StandOff:
    """Return the smallest distance from the edge at which a pass keeps the limit.

    The share beyond the edge is quadratic between two pans and never grows with the distance, so that the distance is
    the one root of a quadratic. It is 0 where the limit is kept with the middle on the edge. Where the outermost pan
    is not empty, what flies beyond it was not seen: one more gap as full as that pan is assumed possible, and
    where that alone is more than the limit, no distance is shown to keep it.

    Parameters
    ----------
    pattern : Pattern
    side : str
        ``left`` or ``right``.
    limit : float
        Largest share beyond the edge, 0 or above and below 1.

    Raises
    ------
    CalibrationError
        For a side or a limit that is none.

    Examples
    --------
    >>> rate = np.array([0.0, 0.02, 0.0])
    >>> laid = Pattern(np.array([-3.0, 0.0, 3.0]), rate, None, 1, rate[None])
    >>> round(stand_off(laid, side="right", limit=0.02).distance, 9)
    2.4
    """
    x, y = outward(pattern, side)
    limited("limit", limit, 0.0, 0.999, "0 or above, below 100 %")
    total = float(np.trapezoid(y, x))
    unseen = float(y[-1] * (x[-1] - x[-2])) / total
    if unseen > limit:
        return StandOff(None, unseen, None, None)
    distance = _distance(x, y, limit * total)
    share = float(_tail(x, y[:, None], np.array([distance]))[0, 0]) / total
    sure = _share_uncertainty(pattern, x, y, distance)
    slope = float(np.interp(distance, x, y)) / total
    return StandOff(distance, share, sure, None if sure is None or slope <= 0 or distance == 0 else sure / slope)


def _distance(x: FloatArray, y: FloatArray, allowed: float) -> float:
    """Return the smallest distance, from 0 on, beyond which no more than the allowed mass per length lands."""
    knots = np.union1d(x[x > 0], 0.0)
    rates = np.interp(knots, x, y)
    beyond = _tail(x, y[:, None], knots)[:, 0]
    knot = int(np.argmax(beyond <= allowed))
    if knot == 0:
        return 0.0
    spare, rate = allowed - float(beyond[knot]), float(rates[knot])
    rise = float((rates[knot - 1] - rate) / (knots[knot] - knots[knot - 1]))
    root = rate + math.sqrt(max(rate**2 + 2 * rise * spare, 0.0))
    return float(knots[knot]) - (2 * spare / root if root > 0 else 0.0)


def _tail(x: FloatArray, columns: FloatArray, at: FloatArray) -> FloatArray:
    """Return (k, m), the integrals of piecewise-linear columns (n, m) beyond each place (k,)."""
    gaps = np.diff(x)[:, None]
    pieces = gaps * (columns[:-1] + columns[1:]) / 2
    after = np.vstack([np.cumsum(pieces[::-1], axis=0)[::-1], np.zeros((1, columns.shape[1]))])
    place = np.clip(at, x[0], x[-1])
    cell = np.clip(np.searchsorted(x, place, side="right") - 1, 0, len(x) - 2)
    left = x[cell + 1] - place
    part = (left / np.diff(x)[cell])[:, None]
    here = part * columns[cell] + (1 - part) * columns[cell + 1]
    return np.asarray(left[:, None] * (here + columns[cell + 1]) / 2 + after[cell + 1], dtype=np.float64)


def _share_uncertainty(pattern: Pattern, x: FloatArray, y: FloatArray, distance: float) -> float | None:
    """Return the standard uncertainty of the share, whose gradient in each pan is (its part beyond - share) / total."""
    if pattern.noise is None:
        return None
    ends = _tail(x, np.eye(len(x)), np.array([distance, x[0]]))
    total = float(ends[1] @ y)
    gradient = (ends[0] - ends[1] * float(ends[0] @ y) / total) / total
    return float(pattern.noise * math.sqrt(((gradient * y) ** 2).sum() / pattern.rows))
