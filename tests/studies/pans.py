"""Does the stated 95 % hold for CV and pass spacing? Invented patterns, pans that scatter, a few rows.

Each machine has a true pattern of its own: a bell of some steepness with a flat or hollow middle, leaning to one side.
Rows of pans are drawn from it, and the study looks whether the bounds of CV hold the CV of the true pans, at half, at
three quarters and at all of the half-rate width and beyond, and whether the widest spacing of the true pans lies in its
interval. Three kinds of scatter: in proportion to the pan's rate, as the bounds assume; as counts of granules, so that
thin pans scatter more; and whole rows that lie a little to one side, which no scatter of single pans can tell.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from catchpan_service.calibration.overlap import overlap
from catchpan_service.calibration.overlap_interval import cv_bounds
from catchpan_service.calibration.pattern import FloatArray, Pattern, pattern, shape
from catchpan_service.calibration.superposition import DRIVINGS, superpose

Scatter = Literal["proportional", "counts", "shifted rows"]
SHARES = np.array([0.5, 0.75, 1.0, 1.25])
"""Spacings looked at, over the half-rate width."""


@dataclass(frozen=True)
class Cell:
    """Shares that held: CV by spacing, the widest spacing, and how wide the CV's interval was at all spacings."""

    cv: FloatArray
    widest: float
    width: float


def true_rates(rng: np.random.Generator, positions: FloatArray) -> FloatArray:
    """Make up a true pattern, empty at both ends."""
    reach, lean = rng.uniform(0.45, 0.6), rng.normal(0.0, 0.05)
    at = positions / positions[-1]
    bell = np.exp(-(np.abs((at - lean) / reach) ** rng.uniform(2.0, 4.0)))
    hollow = 1.0 - rng.uniform(0.0, 0.4) * np.exp(-((at / 0.25) ** 2))
    rates = bell * hollow * (1.0 + rng.normal(0.0, 0.1) * at)
    rates[[0, -1]] = 0.0
    return np.asarray(rates / rates.max(), dtype=np.float64)


def weighed(
    rng: np.random.Generator, positions: FloatArray, true: FloatArray, rows: int, noise: float, kind: Scatter
) -> Pattern:
    """Weigh rows of pans over a true pattern; `noise` is the relative scatter of a full pan."""
    level = rng.normal(1.0, 0.05, (rows, 1))
    if kind == "shifted rows":
        step = positions[1] - positions[0]
        drawn = np.array([np.interp(positions - rng.normal(0.0, step / 3), positions, true) for _ in range(rows)])
    else:
        drawn = np.tile(true, (rows, 1))
    spread = noise * (np.sqrt(drawn) if kind == "counts" else drawn)
    masses = np.maximum(level * (drawn + spread * rng.normal(size=drawn.shape)), 0.0)
    return pattern(positions=positions, masses=masses, passes=[1] * rows, headings=["same"] * rows, pan_area=1.0)


def study(
    count: int, *, rows: int, noise: float, kind: Scatter = "proportional", pans: int = 25, seed: int = 1
) -> Cell:
    """Run one cell over `count` machines, both ways of driving in turn."""
    rng = np.random.default_rng(seed)
    positions = np.linspace(-3.6, 3.6, pans)
    held, widest, width = np.zeros(len(SHARES)), 0, 0.0
    for number in range(count):
        way = DRIVINGS[number % 2]
        true = true_rates(rng, positions)
        exact = Pattern(positions, true, None, 1, true[None])
        spacings = SHARES * (shape(exact).half_rate_width or 1.0)
        cv = superpose(positions=positions, rate=true, spacings=spacings, driving=way).cv
        seen = weighed(rng, positions, true, rows, noise, kind)
        bounds = cv_bounds(seen, spacings=spacings, driving=way)
        if bounds is None:
            raise ValueError("the study needs two rows or more")
        held += (bounds.low <= cv + 1e-9) & (cv <= bounds.high + 1e-9)
        width += float((bounds.high - bounds.low).mean())
        wanted = overlap(exact, driving=(way,), spacings=spacings).by_driving[way].widest_spacing
        low, high = overlap(seen, driving=(way,), spacings=spacings).by_driving[way].widest_interval
        widest += holds(wanted, low, high)
    return Cell(held / count, widest / count, width / count)


def holds(wanted: float | None, low: float | None, high: float | None) -> bool:
    """Tell whether an interval holds the true spacing; with none, the low end must be missing."""
    if wanted is None:
        return low is None
    slack = 0.03  # [m]: the bounds are straight between their spacings
    return (low is None or low <= wanted + slack) and high is not None and wanted <= high + slack


CELLS: tuple[tuple[int, float, Scatter, int], ...] = (
    *((rows, noise, "proportional", 25) for rows in (2, 3, 5) for noise in (0.03, 0.06, 0.12, 0.2)),
    (3, 0.06, "proportional", 13),
    (3, 0.06, "counts", 25),
    (3, 0.12, "counts", 25),
    (3, 0.03, "shifted rows", 25),
)


def report(count: int = 600) -> str:
    """Print how often each stated 95 % holds."""
    lines = [
        f"{count} machines each; share of intervals (95 %) that hold the truth",
        "CV at spacings of 0.5, 0.75, 1 and 1.25 half-rate widths; the widest spacing; mean width of the CV's interval",
        "rows  pans  scatter             " + "".join(f"{share:8.2f}" for share in SHARES) + "  widest  width",
    ]
    for rows, noise, kind, pans in CELLS:
        found = study(count, rows=rows, noise=noise, kind=kind, pans=pans)
        shares = "".join(f"{one:8.1%}" for one in found.cv)
        lines.append(f"{rows:4d}  {pans:4d}  {noise:4.0%} {kind:14s} {shares}  {found.widest:6.1%}  {found.width:5.1%}")
    return "\n".join(lines)
