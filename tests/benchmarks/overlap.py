"""CV of overlapping passes against a loop that folds the pattern with NumPy.

`python -m tests.benchmarks.overlap` prints medians of interleaved rounds and ends with 1 where a goal is missed: one
pattern 50 times, 1,000 patterns 1,000 times as fast as the loop; CVs above 0.5 % within 1e-9 of the loop's, and the
same best spacing. The scenario is made up: 41 pans a foot apart, 200 spacings, both ways of driving. Machines differ,
so quote the ratios, and run it with nothing else at work: the array products use all cores.
"""

import statistics
import sys
import time
from collections.abc import Callable

import numpy as np

from catchpan_service.calibration.lag_products import overlap_cv
from catchpan_service.calibration.overlap import overlap
from catchpan_service.calibration.pattern import FloatArray, Pattern
from catchpan_service.calibration.superposition import DRIVINGS, Driving

ROUNDS = 7
FOOT = 0.3048
POSITIONS = np.arange(-20.0, 21.0) * FOOT
SPACINGS = np.linspace(1.0, 40.0, 200) * FOOT


def patterns(count: int) -> FloatArray:
    """Return made-up bell-shaped patterns with noise, the end pans empty."""
    rng = np.random.default_rng(11)
    width, middle = rng.uniform(6, 10, (count, 1)) * FOOT, rng.normal(0, 1, (count, 1)) * FOOT
    bell = np.exp(-(np.abs((POSITIONS - middle) / width) ** 3)) * rng.uniform(0.9, 1.1, (count, len(POSITIONS)))
    bell[:, [0, -1]] = 0.0
    return bell


def folded(rate: FloatArray, spacing: float, driving: Driving) -> float:
    """Return CV by summing passes at both ends of every straight piece: exact where the end pans are empty."""
    period = spacing if driving == "one_way" else 2 * spacing
    knots = POSITIONS if driving == "one_way" else np.concatenate([POSITIONS, spacing - POSITIONS])
    at = np.sort(knots % period)
    at = np.append(at, at[0] + period)
    reach = int(-POSITIONS[0] / period) + 2
    away = at - period * np.arange(-reach, reach + 1)[:, None]
    field = np.interp(away, POSITIONS, rate, left=0.0, right=0.0).sum(axis=0)
    if driving == "back_and_forth":
        field += np.interp(spacing - away, POSITIONS, rate, left=0.0, right=0.0).sum(axis=0)
    share, left, right = np.diff(at) / period, field[:-1], field[1:]
    mean = share @ (left + right) / 2
    left, right = left - mean, right - mean
    return float(np.sqrt(share @ (left**2 + left * right + right**2) / 3) / mean)


def loop(rate: FloatArray) -> FloatArray:
    """Return (2, spacings): the baseline."""
    return np.array([[folded(rate, spacing, way) for spacing in SPACINGS] for way in DRIVINGS])


def seconds(run: Callable[[], object]) -> float:
    """Return how long one call takes, the mean of as many as fill 20 ms."""
    start, calls = time.perf_counter(), 0
    while calls == 0 or time.perf_counter() < start + 0.02:
        run()
        calls += 1
    return (time.perf_counter() - start) / calls


def agreement(several: FloatArray) -> tuple[float, bool]:
    """Return the largest relative difference above 0.5 %, and whether all best spacings are the same."""
    quick = overlap_cv(positions=POSITIONS, rates=several, spacings=SPACINGS)
    ours = np.stack([quick[way] for way in DRIVINGS], axis=1)
    theirs = np.array([loop(rate) for rate in several])
    above = theirs > 0.005
    wide = np.arange(len(SPACINGS)) >= len(SPACINGS) // 4  # below, CV of smooth patterns is rounding
    same = np.array_equal(ours[..., wide].argmin(axis=-1), theirs[..., wide].argmin(axis=-1))
    return float(np.abs(ours[above] / theirs[above] - 1).max()), same


def main() -> int:
    """Measure, print and compare with the goals."""
    several = patterns(1000)
    one = several[:1]
    laid = Pattern(POSITIONS, one[0], None, 1, one)
    runs: dict[str, Callable[[], object]] = {
        "loop, one pattern": lambda: loop(one[0]),
        "one pattern": lambda: overlap_cv(positions=POSITIONS, rates=one, spacings=SPACINGS),
        "1,000 patterns": lambda: overlap_cv(positions=POSITIONS, rates=several, spacings=SPACINGS),
        "whole answer, one pattern": lambda: overlap(laid, spacings=SPACINGS),
    }
    for run in runs.values():
        run()
    rounds = [{name: seconds(run) for name, run in runs.items()} for _ in range(ROUNDS)]
    median = {name: statistics.median(each[name] for each in rounds) for name in runs}
    for name, value in median.items():
        print(f"{name:28s} {1e3 * value:10.3f} ms")
    single = median["loop, one pattern"] / median["one pattern"]
    batch = 1000 * median["loop, one pattern"] / median["1,000 patterns"]
    difference, same = agreement(several[:50])
    print(f"one pattern {single:.0f} times the loop (goal 50), 1,000 patterns {batch:.0f} times (goal 1,000)")
    print(f"largest relative difference above 0.5 %: {difference:.1e} (goal 1e-9); same best spacing: {same}")
    return 0 if single >= 50 and batch >= 1000 and difference <= 1e-9 and same else 1


if __name__ == "__main__":
    sys.exit(main())
