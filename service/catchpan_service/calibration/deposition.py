"""What passes leave on the cells of a grid."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from .errors import CalibrationError
from .pattern import FloatArray, Pattern

MOST_CELLS = 4_000_000
"""Cells that a grid may have."""

MOST_WORK = 60_000_000
"""Cells that all passes together may touch, which keeps a map within about two seconds."""

MOST_PIECES = 6_000
"""Straight pieces of all passes, for the same reason."""

FINE = 32
"""Steps of the table of a pattern in one cell."""

AHEAD = 40
"""Cells that a piece of a pass has along it, at least, so that pieces stay few."""


@dataclass(frozen=True)
class Grid:
    """Square cells.

    Attributes
    ----------
    low : FloatArray
        (2,) the corner of the first cell [m].
    cell : float
        [m].
    rate : FloatArray
        (rows, columns) [kg/m2], rows along y.
    """

    low: FloatArray
    cell: float
    rate: FloatArray

    @property
    def middles(self) -> tuple[FloatArray, FloatArray]:
        """Return x of the columns and y of the rows [m]."""
        rows, columns = self.rate.shape
        x, y = (self.low[axis] + (np.arange(n) + 0.5) * self.cell for axis, n in ((0, columns), (1, rows)))
        return x, y


@dataclass(frozen=True)
class Swath:
    """What a pass lays across itself.

    Attributes
    ----------
    pattern : Pattern
    mass_per_length : float
        [kg/m].
    """

    pattern: Pattern
    mass_per_length: float


@dataclass(frozen=True)
class _Table:
    """The mean rate of a cell by the distance of its middle to the right of the pass: nearest entry."""

    first: float
    step: float
    rate: FloatArray


def grid_over(low: FloatArray, high: FloatArray, margin: float, cell: float) -> Grid:
    """Return an empty grid over a box [m] and a margin about it [m].

    Raises
    ------
    CalibrationError
        For more cells than are computed; says which cell would do.
    """
    span = high - low + 2 * margin
    columns, rows = (math.ceil(extent / cell) for extent in span)
    if columns * rows > MOST_CELLS:
        enough = math.sqrt(span[0] * span[1] / MOST_CELLS)
        message, allowed = "The grid has too many cells.", f"a cell of {1.01 * enough:.3g} m or more"
        raise CalibrationError("too_many_cells", message, where=("cell",), given=cell, allowed=allowed)
    return Grid(low - margin, cell, np.zeros((rows, columns)))


def lay(grid: Grid, lines: Sequence[tuple[FloatArray, Swath]]) -> None:
    """Add what passes leave to a grid.

    The pattern stands across the pass and travels with it: a straight piece leaves a rectangle as long as the piece.
    Each cell gets the mean over a square of its size that is turned with the pass, which is exact for passes along the
    grid and keeps the mass for all: of a smooth sum over a grid nothing is lost.

    Parameters
    ----------
    grid : Grid
        Its rates are added to.
    lines : sequence of (FloatArray, Swath)
        (n, 2) the line of each pass's middle [m], and what it lays.

    Raises
    ------
    CalibrationError
        For more work than is done; says that a larger cell would do.
    """
    count = sum(len(line) - 1 for line, _ in lines)
    if count > MOST_PIECES:
        message = "The passes have too many bends."
        allowed = f"up to {MOST_PIECES} straight pieces: fewer points in the rings, or fewer edge passes and headlands"
        raise CalibrationError("too_many_bends", message, where=("outline",), given=count, allowed=allowed)
    tables = {id(swath): _table(swath, grid.cell) for _, swath in lines}
    pieces = [
        (start, end, tables[id(swath)])
        for line, swath in lines
        for start, end in pairwise(line)
        if (start != end).any()
    ]
    work = sum(_work(start, end, table, grid.cell) for start, end, table in pieces)
    if work > MOST_WORK:
        enough = grid.cell * math.sqrt(work / MOST_WORK)
        message, allowed = "So many passes on so fine a grid take too long.", f"a cell of {1.05 * enough:.3g} m or more"
        raise CalibrationError("too_much_work", message, where=("cell",), given=grid.cell, allowed=allowed)
    for start, end, table in pieces:
        _lay_piece(grid, start, end, table)


def _table(swath: Swath, cell: float) -> _Table:
    """Return cell means of the pattern: differences of its integral, one cell apart."""
    x, y = swath.pattern.position, swath.pattern.rate
    step = cell / FINE
    first = float(x[0]) - cell / 2 - 2 * step
    count = math.ceil((float(x[-1]) + cell / 2 + 2 * step - first) / step) + 1
    at: FloatArray = first + np.arange(count, dtype=np.float64) * step
    means = (_integral(x, y, at + cell / 2) - _integral(x, y, at - cell / 2)) / cell
    means[[0, -1]] = 0.0
    return _Table(first, step, means * (swath.mass_per_length / (means.sum() * step)))


def _integral(x: FloatArray, y: FloatArray, at: FloatArray) -> FloatArray:
    """Return the integral of a piecewise-linear function from its first knot on."""
    before = np.concatenate([[0.0], np.cumsum(np.diff(x) * (y[:-1] + y[1:]) / 2)])
    place = np.clip(at, x[0], x[-1])
    knot = np.clip(np.searchsorted(x, place, side="right") - 1, 0, len(x) - 2)
    return np.asarray(before[knot] + (place - x[knot]) * (y[knot] + np.interp(place, x, y)) / 2, dtype=np.float64)


def _chunks(length: float, table: _Table, cell: float) -> int:
    """Return into how many parts a piece is cut, each about as long as the pattern is wide."""
    return math.ceil(length / max(len(table.rate) * table.step, AHEAD * cell))


def _work(start: FloatArray, end: FloatArray, table: _Table, cell: float) -> float:
    """Return how many cells laying a piece touches, at most."""
    length = float(np.hypot(*(end - start)))
    chunks, width = _chunks(length, table, cell), len(table.rate) * table.step
    cosine, sine = np.abs(end - start) / length
    along = length / chunks + cell
    sides = (along * cosine + width * sine, along * sine + width * cosine)
    return float(chunks * (sides[0] / cell + 2) * (sides[1] / cell + 2))


def _lay_piece(grid: Grid, start: FloatArray, end: FloatArray, table: _Table) -> None:
    length = float(np.hypot(*(end - start)))
    ahead = (end - start) / length
    right = np.array([ahead[1], -ahead[0]])
    parts = _chunks(length, table, grid.cell)
    sides = table.first + np.array([0.0, len(table.rate) * table.step])
    for part in range(parts):
        along = length / parts
        begin = start + part * along * ahead
        ends = np.array([-grid.cell / 2, along + grid.cell / 2])
        corners = begin + ends[:, None, None] * ahead + sides[:, None] * right
        low, high = corners.min(axis=(0, 1)), corners.max(axis=(0, 1))
        _add(grid, _window(grid, low, high), begin, ahead, along, table)


def _window(grid: Grid, low: FloatArray, high: FloatArray) -> tuple[slice, slice]:
    """Return rows and columns of the cells in a box."""
    shape = np.array(grid.rate.shape[::-1])
    first = np.clip(np.floor((low - grid.low) / grid.cell).astype(np.intp), 0, shape)
    last = np.clip(np.ceil((high - grid.low) / grid.cell).astype(np.intp), 0, shape)
    return slice(first[1], last[1]), slice(first[0], last[0])


def _add(
    grid: Grid, window: tuple[slice, slice], begin: FloatArray, ahead: FloatArray, length: float, table: _Table
) -> None:
    """Add a rectangle to the cells of a window: share along times mean across."""
    x, y = (grid.low[axis] + (np.arange(one.start, one.stop) + 0.5) * grid.cell - begin[axis]
            for axis, one in ((0, window[1]), (1, window[0])))  # fmt: skip
    along = np.add.outer(y * ahead[1], x * ahead[0])
    share: FloatArray = np.minimum(along + grid.cell / 2, length)
    share -= np.maximum(along - grid.cell / 2, 0.0)
    np.maximum(share, 0.0, out=share)
    across = np.add.outer((-ahead[0] / table.step) * y, (ahead[1] / table.step) * x)
    across += 0.5 - table.first / table.step
    entry: NDArray[np.intp] = np.clip(across, 0, len(table.rate) - 1).astype(np.intp)
    share *= table.rate[entry]
    share /= grid.cell
    grid.rate[window] += share
