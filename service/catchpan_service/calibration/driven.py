"""The passes over a piece of ground: along its edges, round it, and side by side over what is left."""

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import shapely
from shapely import affinity

from .errors import CalibrationError
from .outline import Ground
from .pattern import FloatArray
from .stand_off import Side
from .superposition import Driving

PassKind = Literal["edge", "headland", "overlapped"]

MOST_PASSES = 1000
"""Passes that one plan may hold."""

ARC = 8
"""Straight pieces of a quarter turn, where passes round a corner of the ground that points inwards."""

STEERED = 0.01
"""[m], bends of a ring that matter less than this are left out: nobody steers so closely."""

SHORTEST_PASS = 0.01
"""[m], shorter pieces of a pass are rounding."""


@dataclass(frozen=True)
class Plan:
    """How ground is driven.

    Attributes
    ----------
    edge_passes, headlands : int
        Passes along the outline and round the holes with the edge's pattern, and then with that of overlapped passes.
    stand_off, laid_width : float
        Of the first edge pass from the edge, and between edge passes [m].
    gap : float
        From the last edge pass to the first pass behind it [m].
    spacing : float
        Of all passes behind the edge passes [m].
    heading : float
        Of the overlapped passes, anticlockwise from the x axis [rad].
    driving : str
        ``one_way`` or ``back_and_forth``.
    side : str
        Where the edge is, seen from the driver along edge passes and headlands.
    """

    edge_passes: int
    headlands: int
    stand_off: float
    laid_width: float
    gap: float
    spacing: float
    heading: float
    driving: Driving
    side: Side


@dataclass(frozen=True)
class DrivenPass:
    """One pass: its kind, and the line of its middle, (n, 2) [m] from the ground's origin, in the order driven."""

    kind: PassKind
    line: FloatArray

    @property
    def length(self) -> float:
        """Return how far it goes [m]."""
        return float(np.hypot(*np.diff(self.line, axis=0).T).sum())


def drive(ground: Ground, plan: Plan) -> list[DrivenPass]:
    """Return the passes of a plan, those along the edges first.

    A ring lies at its distance from every edge, round in corners that point into the ground. Overlapped passes are
    straight and lie a spacing apart from the side that is right of the heading; each begins and ends where the
    laid width of the last ring does, and one that a hole cuts goes on behind it.

    Raises
    ------
    CalibrationError
        Where no pass fits, or too many do.
    """
    passes = [
        DrivenPass("edge", line)
        for k in range(plan.edge_passes)
        for line in _rings(ground.area, plan.stand_off + k * plan.laid_width, plan.side)
    ]
    done = 0.0
    if plan.edge_passes:
        done = plan.stand_off + (plan.edge_passes - 1) * plan.laid_width + plan.gap - plan.spacing / 2
    passes += [
        DrivenPass("headland", line)
        for k in range(plan.headlands)
        for line in _rings(ground.area, done + (k + 0.5) * plan.spacing, plan.side)
    ]
    inner = _shrunk(ground.area, done + plan.headlands * plan.spacing)
    passes += [DrivenPass("overlapped", line) for line in _lanes(inner, plan)]
    if not passes:
        message, allowed = "No pass fits into the ground.", "ground wider than twice the stand-off, or fewer rings"
        raise CalibrationError("no_pass_fits", message, where=("outline",), given=None, allowed=allowed)
    if len(passes) > MOST_PASSES:
        _too_many(len(passes))
    return passes


def _too_many(passes: int) -> None:
    message = "The plan needs too many passes."
    allowed = f"up to {MOST_PASSES}: a wider pass spacing, or a part of the ground"
    raise CalibrationError("too_many_passes", message, where=("pass_spacing",), given=passes, allowed=allowed)


def _shrunk(area: Any, distance: float) -> Any:
    return area if distance <= 0 else area.buffer(-distance, quad_segs=ARC)


def _rings(area: Any, distance: float, side: Side) -> list[FloatArray]:
    """Return closed lines at a distance from all edges, driven so that the edge is on a side."""
    turned = shapely.orient_polygons(_shrunk(area, distance))  # the ground on the left, so the edge on the right
    rings = [
        shapely.get_coordinates(ring.simplify(STEERED))
        for part in shapely.get_parts(turned)
        for ring in (part.exterior, *part.interiors)
        if not ring.is_empty
    ]
    return [ring if side == "right" else ring[::-1] for ring in rings]


def _lanes(inner: Any, plan: Plan) -> list[FloatArray]:
    """Return the straight passes side by side over what the rings leave."""
    if inner.is_empty:
        return []
    level = affinity.rotate(inner, -plan.heading, origin=(0, 0), use_radians=True)
    left, low, right, high = level.bounds
    if (high - low) / plan.spacing > MOST_PASSES:
        _too_many(math.ceil((high - low) / plan.spacing))
    across = np.arange(low + plan.spacing / 2, high, plan.spacing)
    found = []
    for number, place in enumerate(across.tolist()):
        cut = shapely.LineString([(left - 1, place), (right + 1, place)]).intersection(level)
        parts = [shapely.get_coordinates(part) for part in shapely.get_parts(cut) if not part.is_empty]
        lines = sorted(
            (part for part in parts if np.ptp(part[:, 0]) > SHORTEST_PASS), key=lambda part: part[:, 0].min()
        )
        back = plan.driving == "back_and_forth" and number % 2 == 1
        found += [_along(line, back=back) for line in (lines[::-1] if back else lines)]
    turn = np.array(
        [[math.cos(plan.heading), math.sin(plan.heading)], [-math.sin(plan.heading), math.cos(plan.heading)]]
    )
    return [line @ turn for line in found]


def _along(line: FloatArray, *, back: bool) -> FloatArray:
    """Return the two ends of a level line, in the order driven."""
    ends = line[np.argsort(line[:, 0])][[0, -1]]
    return ends[::-1] if back else ends
