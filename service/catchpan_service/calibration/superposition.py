"""Overlapping passes: the field that equal passes lay together, and how even it is.

Two routes to the same numbers. `superpose` folds the pattern onto one period and takes everything from the
field itself, with no cancellation. `overlap_cv` takes CV alone, for many patterns on one layout, from
products of the pans' rates at each lag.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import fft, sparse

from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.pattern import FloatArray, Pattern

IntArray = NDArray[np.intp]
Driving = Literal["one_way", "back_and_forth"]
DRIVINGS: tuple[Driving, Driving] = ("one_way", "back_and_forth")

SLIVER = 1e-12
"""Pieces shorter than this share of the period are rounding of coincident breakpoints, not ground."""

LARGEST_LATTICE = 128
"""Nodes up to which a layout is computed by lag products."""

FINEST_LATTICE = 12
"""Lattice steps that the smallest gap between pans may be cut into."""

MOST_VISITS = 250_000
"""Passes over points that one fold may hold, and that are kept for the next call (about 12 MB)."""

CHUNK = 128
"""Patterns that are computed at once, so that their products stay in the processor's cache."""


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
class _Fold:
    """Linear maps from pan rates to the straight pieces of the overlapped field over one period."""

    share: FloatArray  # (k, pieces), of the period; 0 for slivers
    middle: sparse.csr_array  # (k * pieces, n), rate at the middle of each piece
    half_rise: sparse.csr_array  # (k * pieces, n), rise from the middle to the right end


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
    parts = [_evenness(fold, rate) for fold in _folds(positions, spacings, driving)]
    if len(parts) == 1:
        return parts[0]
    return Evenness(
        np.concatenate([part.cv for part in parts]),
        np.concatenate([part.relative_min for part in parts]),
        np.concatenate([part.relative_max for part in parts]),
    )


def overlap_cv(
    *, positions: FloatArray, rates: FloatArray, spacings: FloatArray, driving: Sequence[Driving] = DRIVINGS
) -> dict[Driving, FloatArray]:
    """Return the population CV of many patterns on one layout, at many spacings.

    With f one pass, R its autocorrelation and C(t) the integral of f(x) f(t - x):
    ``one-way CV^2 = s sum_m R(m s) / (int f)^2 - 1`` and
    ``back-and-forth CV^2 = s sum_m [R(2 m s) + C((2 m + 1) s)] / (int f)^2 - 1``. For a piecewise-linear f
    on a lattice both are linear in the lag products of the pans and of the end pans, whose steps need terms
    of their own; the matrix is kept for each layout. Within 1e-9 relative above a CV of 0.5 %; below,
    cancellation leaves about 1e-7. Layouts on no common lattice are folded.

    Parameters
    ----------
    positions : FloatArray
        (n,) [m], ascending.
    rates : FloatArray
        (patterns, n) [kg/m2], none negative and no pattern empty.
    spacings : FloatArray
        (k,) [m], above 0.
    driving : sequence of str
        Any of ``one_way`` and ``back_and_forth``.

    Returns
    -------
    dict of str to FloatArray
        For each way of driving (patterns, k).

    Examples
    --------
    >>> triangle = np.array([[0.0, 1.0, 0.0]])
    >>> cv = overlap_cv(positions=np.array([-1.0, 0.0, 1.0]), rates=triangle, spacings=np.array([1.5]))
    >>> float(round(cv["one_way"][0, 0], 12))
    0.25
    """
    nodes = lattice(positions)
    if nodes is None:
        return {way: _folded_cv(positions, rates, spacings, way) for way in driving}
    index = np.rint((positions - positions[0]) / nodes).astype(np.intp)
    spread = rates if len(index) == index[-1] + 1 else _resampled(rates, index)
    matrix = _lag_matrix(nodes, positions[0], index[-1] + 1, spacings.tobytes(), tuple(driving))
    cv = np.empty((len(rates), matrix.shape[1]))
    for start in range(0, len(rates), CHUNK):
        _lag_cv(spread[start : start + CHUNK], matrix, cv[start : start + CHUNK])
    return dict(zip(driving, np.split(cv, len(driving), axis=1), strict=True))


def station_field(*, pattern: Pattern, spacing: float, driving: Driving) -> FloatArray:
    """Return the sum of passes at each station of one period, from the middle of a pass rightwards.

    Parameters
    ----------
    pattern : Pattern
        On evenly spaced pans, the middle on a pan or midway between two.
    spacing : float
        [m], whole pan steps.
    driving : str
        ``one_way`` (n = spacing / step) or ``back_and_forth`` (n = 2 spacing / step).

    Returns
    -------
    FloatArray
        (n,) [kg/m2].

    Raises
    ------
    CalibrationError
        Where the pans or the spacing do not fall on stations.
    """
    first, step = stations(pattern.position)
    steps = station_steps(np.array([spacing]), step)[0]
    place = np.arange(len(pattern.rate)) + int(np.floor(first))
    if driving == "one_way":
        return np.bincount(place % steps, pattern.rate, minlength=steps).astype(np.float64)
    # A pass the other way at `steps` lays at steps - x; midway between pans, x is place + 1/2.
    mirrored = steps - place - int(2 * (first % 1))
    both = np.concatenate([place, mirrored]) % (2 * steps)
    return np.bincount(both, np.tile(pattern.rate, 2), minlength=2 * steps).astype(np.float64)


def stations(positions: FloatArray) -> tuple[float, float]:
    """Return the first pan's place in steps from the middle (whole or half) and the step [m], or refuse."""
    gaps = np.diff(positions)
    step = float(np.ptp(positions) / len(gaps))
    uneven = np.abs(gaps / step - 1) > 1e-6
    if uneven.any():
        pan = int(np.argmax(uneven)) + 1
        message = f"Stations need evenly spaced pans, and pan {pan + 1} is off."
        allowed = "evenly spaced pans, or the continuous evaluation"
        raise CalibrationError(
            "pans_not_even", message, where=("positions", pan), given=positions[pan], allowed=allowed
        )
    halves = 2 * positions[0] / step
    if abs(halves - round(halves)) > 1e-5:
        message = "Stations need the middle of the pass on a pan or midway between two."
        allowed = "position 0 on a pan or midway between two, or the continuous evaluation"
        raise CalibrationError(
            "middle_off_stations", message, where=("positions",), given=positions[0], allowed=allowed
        )
    return round(halves) / 2, step


def station_steps(spacings: FloatArray, step: float) -> IntArray:
    """Return each spacing in whole pan steps, or refuse the first that is not."""
    steps = np.rint(spacings / step)
    for place in np.flatnonzero((np.abs(spacings / step - steps) > 1e-6) | (steps < 1)):
        message = f"Spacing {place + 1} is not a whole number of pan steps, so that stations do not meet."
        allowed = "whole multiples of the gap between pans, or the continuous evaluation"
        where = ("spacings", int(place))
        raise CalibrationError(
            "spacing_off_stations", message, where=where, given=spacings[place], allowed=allowed
        )
    return steps.astype(np.intp)


def lattice(positions: FloatArray) -> float | None:
    """Return the step [m] of the coarsest lattice that holds all pans, or None."""
    gaps = np.diff(positions)
    for parts in range(1, FINEST_LATTICE + 1):
        counts = gaps / (gaps.min() / parts)
        total = np.rint(counts).sum()
        if np.abs(counts - np.rint(counts)).max() < 1e-9 * total and total < LARGEST_LATTICE:
            return float(np.ptp(positions) / total)
    return None


@lru_cache(maxsize=8)
def _cached_fold(positions: bytes, spacings: bytes, driving: Driving) -> _Fold:
    return _fold(np.frombuffer(positions), np.frombuffer(spacings), driving)


def _folds(positions: FloatArray, spacings: FloatArray, driving: Driving) -> Iterable[_Fold]:
    """Return folds that hold all spacings in order: one from the cache, or several one after another."""
    ways = 1 if driving == "one_way" else 2
    visits = ways * len(positions) * float((np.ptp(positions) / spacings + 1).sum())
    if visits <= MOST_VISITS:
        return [_cached_fold(positions.tobytes(), spacings.tobytes(), driving)]
    parts = min(len(spacings), 1 + int(visits / MOST_VISITS))
    return (_fold(positions, part, driving) for part in np.array_split(spacings, parts))


def _fold(positions: FloatArray, spacings: FloatArray, driving: Driving) -> _Fold:
    """Build the maps: between folded breakpoints every pass is straight, so each middle is looked at."""
    s = spacings[:, None]
    mirrored = driving == "back_and_forth"
    period = np.broadcast_to(2 * s if mirrored else s, (len(s), (1 + mirrored) * len(positions)))
    knots = np.hstack([positions + 0 * s, s - positions]) if mirrored else positions + 0 * s
    breaks = np.sort(np.mod(knots, period), axis=1)
    length = np.diff(breaks, axis=1, append=breaks[:, :1] + period[:, :1])
    middle = breaks + length / 2
    ways = [(middle, 1.0), (s - middle, -1.0)] if mirrored else [(middle, 1.0)]
    parts = [
        _contributions(positions, at.ravel(), period.ravel(), sign * length.ravel()) for at, sign in ways
    ]
    row, column, value, rise = (np.concatenate(part) for part in zip(*parts, strict=True))
    shape = (middle.size, len(positions))
    maps = [sparse.coo_array((data, (row, column)), shape=shape).tocsr() for data in (value, rise)]
    share = length / period
    return _Fold(np.where(share > SLIVER, share, 0.0), *maps)


def _contributions(
    positions: FloatArray, at: FloatArray, period: FloatArray, run: FloatArray
) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
    """Return row, pan, weight in value and weight in half rise, for each pass that reaches a point."""
    first = positions[0] + np.mod(at - positions[0], period)
    counts = np.floor((positions[-1] - first) / period).astype(np.intp) + 1
    row = np.repeat(np.arange(len(at)), np.maximum(counts, 0))
    order = np.arange(len(row)) - np.repeat(np.cumsum(np.maximum(counts, 0)) - counts.clip(0), counts.clip(0))
    x = first[row] + order * period[row]
    cell = np.clip(np.searchsorted(positions, x, side="right") - 1, 0, len(positions) - 2)
    gap = np.diff(positions)[cell]
    part = (x - positions[cell]) / gap
    rise = run[row] / (2 * gap)
    value = np.concatenate([1 - part, part])
    return np.tile(row, 2), np.concatenate([cell, cell + 1]), value, np.concatenate([-rise, rise])


def _evenness(fold: _Fold, rates: FloatArray) -> Evenness:
    """Measure the field of one pattern (n,), or of several (n, patterns)."""
    form = (*fold.share.shape, *rates.shape[1:])
    middle, half = (fold.middle @ rates).reshape(form), np.abs(fold.half_rise @ rates).reshape(form)
    share = fold.share.reshape(*fold.share.shape, *([1] * (rates.ndim - 1)))
    mean = (share * middle).sum(axis=1)
    variance = (share * ((middle - mean[:, None]) ** 2 + half**2 / 3)).sum(axis=1)
    ground = share > 0
    least = np.where(ground, middle - half, np.inf).min(axis=1)
    most = np.where(ground, middle + half, 0.0).max(axis=1)
    return Evenness(np.sqrt(variance) / mean, np.maximum(least, 0.0) / mean, most / mean)


def _folded_cv(
    positions: FloatArray, rates: FloatArray, spacings: FloatArray, driving: Driving
) -> FloatArray:
    """Return (patterns, k) by folding, a part of the spacings and of the patterns at a time."""
    batches = np.array_split(rates, 1 + len(rates) // CHUNK)
    folds = _folds(positions, spacings, driving)
    return np.hstack([np.vstack([_evenness(fold, batch.T).cv.T for batch in batches]) for fold in folds])


def _resampled(rates: FloatArray, index: IntArray) -> FloatArray:
    """Return the patterns at every node of the lattice; a straight piece stays the same straight piece."""
    nodes = np.arange(index[-1] + 1)
    cell = np.clip(np.searchsorted(index, nodes, side="right") - 1, 0, len(index) - 2)
    part = (nodes - index[cell]) / (index[cell + 1] - index[cell])
    return np.asarray(rates[:, cell] * (1 - part) + rates[:, cell + 1] * part, dtype=np.float64)


def _lag_cv(rates: FloatArray, matrix: FloatArray, cv: FloatArray) -> None:
    """Put the patterns' CVs into `cv` (patterns, ways * k)."""
    np.matmul(_lag_products(rates), matrix, out=cv)
    cv -= 1.0
    np.sqrt(np.maximum(cv, 0.0, out=cv), out=cv)


def _lag_products(rates: FloatArray) -> FloatArray:
    """Return (patterns, 5 n - 1): sums of y_i y_(i+d), sums of y_i y_(k-i), y_first y_j, y_last y_j."""
    nodes = rates.shape[1]
    unit = rates / (rates.sum(axis=1) - (rates[:, 0] + rates[:, -1]) / 2)[:, None]
    size = fft.next_fast_len(2 * nodes - 1, real=True)
    wave = fft.rfft(unit, size, axis=1)
    same = fft.irfft(wave.real**2 + wave.imag**2, size, axis=1)[:, :nodes]
    mirrored = fft.irfft(wave * wave, size, axis=1)[:, : 2 * nodes - 1]
    return np.hstack([same, mirrored, unit[:, :1] * unit, unit[:, -1:] * unit])


@lru_cache(maxsize=8)
def _lag_matrix(
    step: float, origin: float, nodes: int, spacings: bytes, driving: tuple[Driving, ...]
) -> FloatArray:
    """Return (5 nodes - 1, ways * k): CV^2 + 1 from lag products."""
    spacing = np.frombuffer(spacings) / step
    blocks = [_lag_weights(spacing, origin / step, nodes, way) * spacing[:, None] for way in driving]
    return np.ascontiguousarray(np.vstack(blocks).T)


def _lag_weights(spacing: FloatArray, origin: float, nodes: int, driving: Driving) -> FloatArray:
    """Return (k, 5 nodes - 1): the sum over all passes that meet the one at 0; lengths in lattice steps."""
    weights = np.zeros((len(spacing), 5 * nodes - 1))
    reach = 2 * max(abs(origin), abs(origin + nodes - 1)) + 2
    for m in range(int(reach / spacing.min()) + 1):
        near = np.flatnonzero(m * spacing <= reach)
        for lag in {m, -m}:
            if driving == "back_and_forth" and m % 2:
                weights[near] += _mirrored_weights(lag * spacing[near] - 2 * origin, nodes)
            else:
                weights[near] += _same_weights(lag * spacing[near], nodes)
    return weights


def _same_weights(lag: FloatArray, nodes: int) -> FloatArray:
    """Weigh the lag products for a pass driven the same way, `lag` steps away.

    The pattern is a sum of hats less the halves of the two end hats that stick out over the end pans.
    """
    t, j = lag[:, None], np.arange(nodes)
    same = _hat_hat(t - j) * np.where(j > 0, 2.0, 1.0)
    first, last = -2 * _half_hat(t + j), -2 * _half_hat(nodes - 1 - j - t)
    first[:, 0] += _half_half(lag)
    last[:, -1] += _half_half(lag)
    first[:, -1] += 2 * _half_turned(nodes - 1 + lag)
    return np.hstack([same, np.zeros((len(lag), 2 * nodes - 1)), first, last])


def _mirrored_weights(lag: FloatArray, nodes: int) -> FloatArray:
    """Weigh the lag products for a mirrored pass; `lag` is its distance less twice the first pan's place."""
    t, j = lag[:, None], np.arange(nodes)
    mirrored = _hat_hat(t - np.arange(2 * nodes - 1))
    first, last = -2 * _half_hat(t - j), -2 * _half_hat(nodes - 1 + j - t)
    first[:, 0] += _half_turned(lag)
    last[:, -1] += _half_turned(2 * (nodes - 1) - lag)
    first[:, -1] += 2 * _half_half(lag - (nodes - 1))
    return np.hstack([np.zeros((len(lag), nodes)), mirrored, first, last])


def _hat_hat(t: FloatArray) -> FloatArray:
    """Overlap of two hats max(0, 1 - |x|) at distance t: the cubic B-spline."""
    t = np.abs(t)
    near = 2 / 3 - t**2 + t**3 / 2
    return np.where(t < 1, near, np.clip(2 - t, 0, None) ** 3 / 6)


def _half_hat(t: FloatArray) -> FloatArray:
    """Overlap of the rising half hat 1 + x on (-1, 0) with a hat at t.

    A hat is the second difference of a ramp, so this is the one of the half hat's second integral.
    """
    inside = np.where((t > -2) & (t < 1), t, -2.0)
    return _half_integral(inside + 1) - 2 * _half_integral(inside) + _half_integral(inside - 1)


def _half_integral(t: FloatArray) -> FloatArray:
    up = np.clip(t, 0, None)
    return np.asarray((np.clip(t + 1, 0, None) ** 3 - up**3 - 3 * up**2) / 6, dtype=np.float64)


def _half_half(t: FloatArray) -> FloatArray:
    """Overlap of two rising half hats at distance t."""
    rest = np.clip(1 - np.abs(t), 0, None)
    return np.asarray(rest**3 / 3 + np.abs(t) * rest**2 / 2, dtype=np.float64)


def _half_turned(t: FloatArray) -> FloatArray:
    """Overlap of the rising half hat on (-1, 0) with the falling half hat 1 - (x - t) on (t, t + 1)."""
    low, high = np.maximum(-1, t), np.minimum(0, t + 1)
    whole = (1 + t) * (high - low) + t * (high**2 - low**2) / 2 - (high**3 - low**3) / 3
    return np.where(high > low, whole, 0.0)
