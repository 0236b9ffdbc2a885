"""A coverage map against a plain loop over cells.

`python -m tests.benchmarks.coverage` prints medians of interleaved rounds and ends with 1 where a goal is missed: a
hectare with a pond at 10 cm in 2 s on a machine of two cores, and 100 times as many cells a second as the loop, which
maps one part of 4 by 4 m, the cells within 0.2 % of the wanted rate on average. The scenario is made up. Machines differ, so quote
the ratio, and run it with nothing else at work.
"""

import math
import statistics
import sys
import time
from itertools import pairwise

import numpy as np

from catchpan_service.calibration.coverage import CoverageAnswer, coverage
from catchpan_service.calibration.pattern import FloatArray, Pattern

ROUNDS = 5
FOOT = 0.3048
RATE = 3.2 * 0.00488242763
SPACING = 11 * FOOT
CELL = 0.1
PANS = np.array([0, 1, 3, 5.2, 7.1, 9, 10.1, 9.2, 7, 5.1, 2.8, 1, 0])
POSITIONS = np.arange(-12, 13, 2) * FOOT
PART = (slice(700, 740), slice(300, 340))
"""Rows and columns of the part that the loop maps. It holds no end of a pass, where a cell's mean is not its middle."""


def mapped(heading: float) -> CoverageAnswer:
    """Return the map of a made-up hectare with a round pond."""
    turn = np.linspace(0, 2 * math.pi, 41)[:-1]
    pond = np.column_stack([62 + 9 * np.cos(turn), 40 + 7 * np.sin(turn)])
    lawn = np.array([[0, 0], [100, 0], [100, 100], [0, 100]], dtype=float)
    pattern = Pattern(POSITIONS, PANS, None, 1, PANS[None])
    return coverage(pattern, outline=lawn, holes=[pond], rate=RATE, pass_spacing=SPACING, heading=heading, cell=CELL)


def loop(answer: CoverageAnswer) -> FloatArray:
    """Return the part, cell by cell and piece by piece, from the middles of cells: the baseline."""
    x, y = answer.grid.middles
    positions, pans = POSITIONS.tolist(), (PANS * RATE * SPACING / np.trapezoid(PANS, POSITIONS)).tolist()
    pieces = [(*a, *b) for one in answer.passes for a, b in pairwise(one.line.tolist())]
    return np.array([[point(px, py, pieces, positions, pans) for px in x[PART[1]]] for py in y[PART[0]]])


def point(x: float, y: float, pieces: list[tuple[float, ...]], positions: list[float], pans: list[float]) -> float:
    """Return the rate at one point."""
    total = 0.0
    for ax, ay, bx, by in pieces:
        length = math.hypot(bx - ax, by - ay)
        ux, uy = (bx - ax) / length, (by - ay) / length
        across = (x - ax) * uy - (y - ay) * ux
        if 0 <= (x - ax) * ux + (y - ay) * uy < length and positions[0] <= across < positions[-1]:
            cell = next(k for k in range(1, len(positions)) if across < positions[k])
            part = (across - positions[cell - 1]) / (positions[cell] - positions[cell - 1])
            total += pans[cell - 1] + part * (pans[cell] - pans[cell - 1])
    return total


def seconds(run: object) -> float:
    """Return how long a call takes."""
    start = time.perf_counter()
    run()  # type: ignore[operator]
    return time.perf_counter() - start


def main() -> int:
    """Measure, print and compare with the goals."""
    answer = mapped(0.3)
    baseline = loop(answer)
    off = float(np.abs(answer.grid.rate[PART] - baseline).mean() / RATE)
    rounds = [(seconds(lambda: mapped(0.0)), seconds(lambda: mapped(0.3)), seconds(lambda: loop(answer)))
              for _ in range(ROUNDS)]  # fmt: skip
    straight, slanting, slow = (statistics.median(column) for column in zip(*rounds, strict=True))
    ratio = (answer.grid.rate.size / slanting) / (baseline.size / slow)
    closure = float(answer.grid.rate.sum()) * CELL**2 / answer.material - 1
    print(f"a hectare, {answer.grid.rate.size} cells, {len(answer.passes)} passes")
    print(f"along the grid {straight:.2f} s, slanting {slanting:.2f} s (goal 2 s)")
    print(f"loop over {baseline.size} cells {slow:.2f} s: the map is {ratio:.0f} times as fast a cell (goal 100)")
    print(f"mean difference of a cell {off:.3%} of the wanted rate (goal 0.2 %); mass on the grid off by {closure:.1e}")
    return 0 if max(straight, slanting) <= 2 and ratio >= 100 and off <= 0.002 else 1


if __name__ == "__main__":
    sys.exit(main())
