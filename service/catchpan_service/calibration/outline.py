"""The ground to treat: an outline and the holes in it, checked."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike

from .errors import CalibrationError
from .pattern import FloatArray

MOST_POINTS, MOST_HOLES, MOST_CORNERS = 1000, 50, 3000
"""Points of one ring, holes, and points of all rings, that a plan may hold."""

LARGEST_PLAN = 20_000.0
"""[m], width of a plan: nobody spreads more from one plan."""

FARTHEST_ORIGIN = 1e8
"""[m], how far from the origin of its coordinates a plan may lie."""

SMALLEST_GROUND, SMALLEST_HOLE = 1.0, 1e-4
"""[m2], smallest ground and smallest hole."""

Path = tuple[str | int, ...]


@dataclass(frozen=True)
class Ground:
    """An area of the plane; coordinates are from `origin`, so that they are small.

    Attributes
    ----------
    origin : FloatArray
        (2,) [m].
    area : shapely.Geometry
        What is to be treated: the outline without the holes.
    outline : shapely.Polygon
    holes : tuple of shapely.Polygon
    """

    origin: FloatArray
    area: Any
    outline: Any
    holes: tuple[Any, ...]


def ground(outline: ArrayLike, holes: Sequence[ArrayLike] = ()) -> Ground:
    """Check an outline and its holes, and take the holes out.

    Parameters
    ----------
    outline : array_like
        (n, 2) corners [m], either way round; the first may be repeated at the end.
    holes : sequence of array_like
        (m, 2) each: beds, ponds, buildings.

    Raises
    ------
    CalibrationError
        For rings that are none, cross themselves, lie outside or overlap; `where` is ``outline`` or ``holes`` and the
        number of the hole.

    Examples
    --------
    >>> lawn = ground([[0, 0], [30, 0], [30, 20], [0, 20]], [[[5, 5], [9, 5], [9, 8], [5, 8]]])
    >>> lawn.area.area
    588.0
    """
    if len(holes) > MOST_HOLES:
        message = "The plan has too many holes."
        raise CalibrationError(
            "too_many_holes", message, where=("holes",), given=len(holes), allowed=f"up to {MOST_HOLES}"
        )
    corners = _corners(outline, ("outline",))
    count = len(corners) + sum(len(np.atleast_1d(hole)) for hole in holes)
    if count > MOST_CORNERS:
        _refuse("too_many_points", "The plan has too many points.", ("holes",), f"up to {MOST_CORNERS} in all", count)
    origin = corners.min(axis=0)
    around = _polygon(corners - origin, ("outline",), SMALLEST_GROUND)
    inner = []
    for number, hole in enumerate(holes):
        where = ("holes", number)
        one = _polygon(_corners(hole, where) - origin, where, SMALLEST_HOLE)
        if not around.covers(one):
            _refuse("hole_outside", f"Hole {number + 1} does not lie inside the outline.", where, "holes inside")
        inner.append(one)
    _apart(inner)
    area = around.difference(shapely.union_all(inner)) if inner else around
    if area.area < SMALLEST_GROUND:
        _refuse("no_ground_left", "The holes leave no ground to treat.", ("holes",), "holes that leave 1 m2 or more")
    return Ground(origin, area, around, tuple(inner))


def _corners(points: ArrayLike, where: Path) -> FloatArray:
    """Return the corners (n, 2), each once."""
    corners = np.asarray(points, dtype=np.float64)
    if corners.ndim != 2 or corners.shape[1] != 2 or not 3 <= len(corners) <= MOST_POINTS:
        given = corners.shape[0] if corners.ndim else 1
        _refuse("bad_ring", "A ring needs three points or more.", where, f"3 to {MOST_POINTS} points", given)
    for point in np.flatnonzero(~(np.abs(corners) <= FARTHEST_ORIGIN).all(axis=1))[:1]:
        message = f"Point {point + 1} has no place, or lies too far from the origin."
        _refuse("bad_point", message, (*where, int(point)), "coordinates within 100 000 km of the origin")
    if np.ptp(corners, axis=0).max() > LARGEST_PLAN:
        _refuse("plan_too_large", "The plan is wider than any ground.", where, "up to 20 km wide; check the unit")
    kept = corners[np.r_[True, (np.diff(corners, axis=0) != 0).any(axis=1)]]
    if len(kept) > 1 and (kept[0] == kept[-1]).all():
        kept = kept[:-1]
    if len(kept) < 3:
        _refuse("bad_ring", "A ring needs three points that differ.", where, "3 points or more, each once", len(kept))
    return np.asarray(kept, dtype=np.float64)


def _polygon(corners: FloatArray, where: Path, smallest: float) -> Any:
    one = shapely.Polygon(corners)
    if not one.is_valid:
        reason = str(shapely.is_valid_reason(one))
        place = np.array([float(number) for number in reason.partition("[")[2].rstrip("]").split()][:2])
        near = int(np.argmin(((corners - place) ** 2).sum(axis=1))) if len(place) == 2 else 0
        message = f"The ring crosses or touches itself near its point {near + 1}."
        _refuse("crosses_itself", message, where, "points in the order in which one walks round", near + 1)
    if one.area < smallest:
        _refuse("ring_too_small", "The ring holds no area.", where, f"{smallest:g} m2 or more; check the unit")
    return one


def _apart(holes: Sequence[Any]) -> None:
    """Refuse holes that overlap; they may touch."""
    tree = shapely.STRtree(holes) if holes else None
    pairs = () if tree is None else tree.query(holes, predicate="intersects").T.tolist()
    for one, other in sorted(pairs):
        smaller = min(holes[one].area, holes[other].area)
        if one < other and holes[one].intersection(holes[other]).area > 1e-6 * smaller:
            message = f"Hole {one + 1} and hole {other + 1} overlap."
            _refuse("holes_overlap", message, ("holes", other), "holes apart; join those that belong together")


def _refuse(code: str, message: str, where: Path, allowed: str, given: object = None) -> None:
    raise CalibrationError(code, message, where=where, given=given, allowed=allowed)
