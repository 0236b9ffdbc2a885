"""A table of openings and flows for a controller, with the fewest rows whose straight lines are true enough."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from .catches import FloatArray
from .curve import FlowCurve, flow
from .errors import CalibrationError

STEP = 0.005
"""Step between openings that a row may have [share of range]: what controllers commonly set (common practice)."""

BETWEEN = 4
"""Places within a step at which a line is held against the curve."""

MOST_CANDIDATES = 400


@dataclass(frozen=True)
class GateTable:
    """Rows of a controller's table.

    Attributes
    ----------
    openings : FloatArray
        (n,), ascending.
    flows : FloatArray
        (n,) of the curve there [kg/s].
    worst : float
        Largest difference of the straight lines from the curve, relative to the curve.
    worst_opening : float
        Where that is.
    """

    openings: FloatArray
    flows: FloatArray
    worst: float
    worst_opening: float


def gate_table(
    curve: FlowCurve, *, low: float, high: float, tolerance: float, step: float = STEP, most_rows: int | None = None
) -> GateTable:
    """Choose the fewest rows, on the curve, between which straight lines stay within a tolerance.

    The candidates are the multiples of ``step`` between the ends, and the ends. A pair of candidates may be
    neighbours if the chord between them is true enough at every place in between; the fewest rows are then a shortest
    path, and among the shortest the one with the smallest worst difference is taken (dynamic programming, exact over
    the candidates).

    Parameters
    ----------
    curve : FlowCurve
    low, high : float
        Ends of the table; the curve must have flow there [share of range].
    tolerance : float
        Largest relative difference from the curve.
    step : float
        Step of the controller [share of range].
    most_rows : int, optional
        Rows that the controller takes.

    Raises
    ------
    CalibrationError
        Ends without flow or in the wrong order, a tolerance or a step that cannot be, too many rows.
    """
    _check(curve, low, high, tolerance, step)
    candidates = _candidates(low, high, step)
    fine = np.unique(np.concatenate([np.linspace(a, b, BETWEEN + 1) for a, b in pairwise(candidates)]))
    error = _chord_errors(candidates, flow(curve, candidates), fine, flow(curve, fine))
    rows = _fewest(error, tolerance)
    if most_rows is not None and len(rows) > most_rows:
        message = f"this tolerance needs {len(rows)} rows, and the controller takes {most_rows}"
        allowed = f"{len(rows)} rows, or a wider tolerance"
        raise CalibrationError("too_many_rows", message, where=("most_rows",), given=most_rows, allowed=allowed)
    chosen = candidates[rows]
    flows = flow(curve, chosen)
    off = np.abs(np.interp(fine, chosen, flows) / flow(curve, fine) - 1)
    return GateTable(chosen, flows, float(off.max()), float(fine[int(off.argmax())]))


def _candidates(low: float, high: float, step: float) -> FloatArray:
    first, last = int(np.ceil(low / step - 1e-9)), int(np.floor(high / step + 1e-9))
    inside = np.arange(first, last + 1) * step
    inside = inside[(inside > low + 1e-9) & (inside < high - 1e-9)]
    return np.concatenate([[low], inside, [high]])


def _chord_errors(knots: FloatArray, values: FloatArray, fine: FloatArray, true: FloatArray) -> FloatArray:
    """(n, n): the worst relative difference of the chord from knot i to knot j, for i < j; else infinite."""
    count = len(knots)
    places = np.searchsorted(fine, knots - 1e-12)
    error = np.full((count, count), np.inf)
    for i in range(count - 1):
        x, y = fine[places[i] :], true[places[i] :]
        slopes = (values[i + 1 :] - values[i]) / (knots[i + 1 :] - knots[i])
        off = np.abs((values[i] + slopes[:, None] * (x - knots[i])) / y - 1)
        running = np.maximum.accumulate(off, axis=1)
        error[i, i + 1 :] = running[np.arange(count - 1 - i), places[i + 1 :] - places[i]]
    return error


def _fewest(error: FloatArray, tolerance: float) -> list[int]:
    """Candidates of a shortest path from the first to the last; among the shortest, of least worst difference."""
    count = len(error)
    rows, worst, before = np.full(count, np.inf), np.full(count, np.inf), np.zeros(count, dtype=int)
    rows[0], worst[0] = 1, 0.0
    for j in range(1, count):
        step = np.where(error[:j, j] <= tolerance, rows[:j] + 1, np.inf)
        step[j - 1] = min(step[j - 1], rows[j - 1] + 1)  # neighbours are as close as the controller's step allows
        tie = np.where(step == step.min(), np.maximum(worst[:j], error[:j, j]), np.inf)
        best = int(tie.argmin())
        rows[j], worst[j], before[j] = step[best], tie[best], best
    path = [count - 1]
    while path[-1]:
        path.append(int(before[path[-1]]))
    return path[::-1]


def _check(curve: FlowCurve, low: float, high: float, tolerance: float, step: float) -> None:
    if not 0 < tolerance < 1:
        _refuse("bad_tolerance", "the tolerance cannot be met", "tolerance", tolerance, "between 0 and 100 %")
    if not 0 <= low < high <= 1:
        _refuse("bad_range", "the table's ends are not in order", "low", low, "from 0 to 100 %, low below high")
    if not (0 < step <= 0.5 and (high - low) / step <= MOST_CANDIDATES):
        allowed = f"up to {MOST_CANDIDATES} steps between the ends"
        _refuse("bad_step", "the step is too fine or too coarse", "step", step, allowed)
    for name, end in (("low", low), ("high", high)):
        if not flow(curve, end) > 0:
            allowed = (
                f"from {100 * curve.opening_range[0]:.0f} to {100 * curve.opening_range[1]:.0f} %, where it was caught"
            )
            _refuse("no_flow", "the curve has no flow at this end of the table", name, end, allowed)


def _refuse(code: str, message: str, name: str, given: float, allowed: str) -> None:
    raise CalibrationError(code, message, where=(name,), given=given, allowed=allowed)
