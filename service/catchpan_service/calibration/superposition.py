"""Overlapping passes: the field that equal passes lay together, and how even it is.

Everything is taken from the field itself, folded onto one period, with no cancellation.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from catchpan_service.calibration.pattern import FloatArray

IntArray = NDArray[np.intp]
Driving = Literal["one_way", "back_and_forth"]
DRIVINGS: tuple[Driving, Driving] = ("one_way", "back_and_forth")

SLIVER = 1e-12
"""Pieces shorter than this share of the period are rounding of coincident breakpoints, not ground."""

MOST_VISITS = 250_000
"""Passes over points that one fold may hold, and that are kept for the next call (about 12 MB)."""

CHUNK = 128
"""Patterns that are computed at once, so that they stay in the processor's cache."""


@dataclass(frozen=True)
class Evenness:
    """How even the overlapped field is at each spacing.

    Attributes
    ----------
    cv : FloatArray
        (k,), standard deviation over mean.
    relative_min, relative_max : FloatArray
        (k,), smallest and largest rate over the mean.
    """

    cv: FloatArray
    relative_min: FloatArray
    relative_max: FloatArray


@dataclass(frozen=True)
class Fold:
    """Linear maps from pan rates to the straight pieces of the overlapped field over one period."""

    share: FloatArray  # (k, pieces), of the period
    middle: sparse.csr_array  # (k * pieces, n), rate at the middle of each piece
    half_rise: sparse.csr_array  # (k * pieces, n), rise from the middle to the right end

    @cached_property
    def places(self) -> tuple[IntArray, IntArray]:
        """Return for each entry of the maps, which have the same ones, its piece, and its place in (k, n) by pan."""
        pieces = np.repeat(np.arange(self.share.size), np.diff(self.middle.indptr))
        return pieces, pieces // self.share.shape[1] * self.middle.shape[1] + self.middle.indices

    @cached_property
    def squares(self) -> sparse.csr_array:
        """Map the pans' variances to the mean variance of the field over each piece, not yet less that of its mean."""
        return sparse.csr_array(self.middle.multiply(self.middle) + self.half_rise.multiply(self.half_rise) / 3)


def superpose(*, positions: FloatArray, rate: FloatArray, spacings: FloatArray, driving: Driving) -> Evenness:
    """Fold one pattern onto a period and measure the field.

    One way, passes lie at all multiples of the spacing. Back and forth, every second one is mirrored and
    the period is twice the spacing. The field is straight between the folded pan positions, so that
    ``var = sum share ((middle - mean)^2 + half_rise^2 / 3)`` is exact and extremes are at ends of pieces.

    Parameters
    ----------
    positions, rate : FloatArray
        (n,) [m] ascending, and (n,) [kg/m2].
    spacings : FloatArray
        (k,) [m], above 0.
    driving : str
        ``one_way`` or ``back_and_forth``.
    """
    if len(spacings) == 1:
        return _alone(positions, rate, spacings, driving)
    parts = [_evenness(fold, rate) for fold in folds(positions, spacings, driving)]
    if len(parts) == 1:
        return parts[0]
    return Evenness(
        np.concatenate([part.cv for part in parts]),
        np.concatenate([part.relative_min for part in parts]),
        np.concatenate([part.relative_max for part in parts]),
    )


def folded_cv(*, positions: FloatArray, rates: FloatArray, spacings: FloatArray, driving: Driving) -> FloatArray:
    """Return (patterns, k), the population CV of many patterns (patterns, n), by folding each.

    Parameters
    ----------
    positions : FloatArray
        (n,) [m], ascending.
    rates : FloatArray
        (patterns, n) [kg/m2].
    spacings : FloatArray
        (k,) [m], above 0.
    driving : str
        ``one_way`` or ``back_and_forth``.
    """
    batches = np.array_split(rates, 1 + len(rates) // CHUNK)
    parts = folds(positions, spacings, driving)
    return np.hstack([np.vstack([_evenness(fold, batch.T).cv.T for batch in batches]) for fold in parts])


@lru_cache(maxsize=8)
def _cached_fold(positions: bytes, spacings: bytes, driving: Driving) -> Fold:
    return _fold(np.frombuffer(positions), np.frombuffer(spacings), driving)


def folds(positions: FloatArray, spacings: FloatArray, driving: Driving) -> Iterable[Fold]:
    """Return folds that hold all spacings in order: one from the cache, or several one after another."""
    ways = 1 if driving == "one_way" else 2
    visits = ways * len(positions) * float((np.ptp(positions) / spacings + 1).sum())
    if visits <= MOST_VISITS:
        return [_cached_fold(positions.tobytes(), spacings.tobytes(), driving)]
    parts = min(len(spacings), 1 + int(visits / MOST_VISITS))
    return (_fold(positions, part, driving) for part in np.array_split(spacings, parts))


def _pieces(positions: FloatArray, s: FloatArray, driving: Driving) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return start, length and period, (k, pieces) each, of the field's straight pieces; `s` is (k, 1)."""
    knots, period = positions + 0 * s, s
    if driving == "back_and_forth":
        knots, period = np.hstack([knots, s - positions]), 2 * s
    starts = np.sort(np.mod(knots, period), axis=1)
    ends = np.hstack([starts[:, 1:], starts[:, :1] + period])
    return starts, ends - starts, np.broadcast_to(period, starts.shape)


def _alone(positions: FloatArray, rate: FloatArray, spacing: FloatArray, driving: Driving) -> Evenness:
    """Measure the field at one spacing (1,): two points in each piece, and the sum of all passes there."""
    starts, length, period = _pieces(positions, spacing[:, None], driving)
    at = starts[0] + length[0] * np.array([[0.25], [0.75]])
    reach = int(np.abs(positions).max() / period[0, 0]) + 3
    away = at - period[0, 0] * np.arange(-reach, reach + 1)[:, None, None]
    field = np.interp(away, positions, rate, left=0.0, right=0.0).sum(axis=0)
    if driving == "back_and_forth":
        field += np.interp(spacing[0] - away, positions, rate, left=0.0, right=0.0).sum(axis=0)
    return _measured(length / period, field.mean(axis=0)[None], (field[1] - field[0])[None])


def _fold(positions: FloatArray, spacings: FloatArray, driving: Driving) -> Fold:
    """Build the maps: between folded breakpoints every pass is straight, so each middle is looked at."""
    s = spacings[:, None]
    starts, length, period = _pieces(positions, s, driving)
    middle = starts + length / 2
    ways = [(middle, 1.0)] if driving == "one_way" else [(middle, 1.0), (s - middle, -1.0)]
    parts = [_contributions(positions, at.ravel(), period.ravel(), sign * length.ravel()) for at, sign in ways]
    row, column, value, rise = (np.concatenate(part) for part in zip(*parts, strict=True))
    shape = (middle.size, len(positions))
    maps = [sparse.coo_array((data, (row, column)), shape=shape).tocsr() for data in (value, rise)]
    return Fold(length / period, *maps)


def _contributions(
    positions: FloatArray, at: FloatArray, period: FloatArray, run: FloatArray
) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
    """Return row, pan, weight in value and weight in half rise, for each pass that reaches a point."""
    first = positions[0] + np.mod(at - positions[0], period)
    counts = np.floor((positions[-1] - first) / period).astype(np.intp) + 1
    row = np.repeat(np.arange(len(at)), counts)
    order = np.arange(len(row)) - np.repeat(np.cumsum(counts) - counts, counts)
    x = first[row] + order * period[row]
    cell = np.clip(np.searchsorted(positions, x, side="right") - 1, 0, len(positions) - 2)
    gap = np.diff(positions)[cell]
    part = (x - positions[cell]) / gap
    rise = run[row] / (2 * gap)
    value = np.concatenate([1 - part, part])
    return np.tile(row, 2), np.concatenate([cell, cell + 1]), value, np.concatenate([-rise, rise])


def _evenness(fold: Fold, rates: FloatArray) -> Evenness:
    """Measure the field of one pattern (n,), or of several (n, patterns)."""
    form = (*fold.share.shape, *rates.shape[1:])
    share = fold.share if rates.ndim == 1 else fold.share[:, :, None]
    return _measured(share, (fold.middle @ rates).reshape(form), (fold.half_rise @ rates).reshape(form))


def _measured(share: FloatArray, middle: FloatArray, half_rise: FloatArray) -> Evenness:
    """Measure fields from their pieces along axis 1."""
    ground = share > SLIVER
    share, half = np.where(ground, share, 0.0), np.abs(half_rise)
    mean = (share * middle).sum(axis=1)
    variance = (share * ((middle - mean[:, None]) ** 2 + half**2 / 3)).sum(axis=1)
    least = np.where(ground, middle - half, np.inf).min(axis=1)
    most = np.where(ground, middle + half, 0.0).max(axis=1)
    return Evenness(np.sqrt(variance) / mean, np.maximum(least, 0.0) / mean, most / mean)
