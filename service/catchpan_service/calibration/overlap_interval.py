"""How far the scatter of pans leaves CV and pass spacing open: intervals, with the noise's own share taken off."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from catchpan_service.calibration.pattern import FloatArray, Pattern, trapezoid_weights
from catchpan_service.calibration.spacing_ranges import SEARCH_FLOOR_SHARE, joined
from catchpan_service.calibration.superposition import Driving, Fold, folds

COVERAGE = 0.95
"""Stated probability that an interval holds the true value."""

GRID = 96
"""Spacings at which the bounds are computed when ranges of them are looked for; straight in between."""


@dataclass(frozen=True)
class Bounds:
    """Where CV lies at each spacing, 95 %.

    Attributes
    ----------
    spacings, low, high : FloatArray
        (k,), the first in [m].
    """

    spacings: FloatArray
    low: FloatArray
    high: FloatArray

    def ranges(self, cv_limit: float, *, sure: bool) -> tuple[tuple[float, float], ...]:
        """Return the intervals of spacing [m] at which CV is within the limit: for sure, or at all possibly."""
        excess = (self.high if sure else self.low) - cv_limit
        turn = np.flatnonzero((excess[:-1] <= 0) != (excess[1:] <= 0))
        part = excess[turn] / (excess[turn] - excess[turn + 1])
        roots = self.spacings[turn] + part * np.diff(self.spacings)[turn]
        edges = np.unique(np.concatenate([self.spacings[:1], roots, self.spacings[-1:]]))
        inside = np.interp((edges[:-1] + edges[1:]) / 2, self.spacings, excess) <= 0
        return joined(edges[:-1], edges[1:], inside)


def bounded(pattern: Pattern, driving: Driving, cv_limit: float) -> Bounds | None:
    """Return the bounds on a grid of all spacings that can keep the limit, or None where no noise is known.

    By Cauchy and Schwarz CV² + 1 is never below spacing over width; a tenth is added for the noise.
    """
    width = float(np.ptp(pattern.position))
    grid = np.linspace(SEARCH_FLOOR_SHARE * width, 1.1 * (1.0 + cv_limit**2) * width, GRID)
    return cv_bounds(pattern, spacings=grid, driving=driving)


def cv_bounds(pattern: Pattern, *, spacings: FloatArray, driving: Driving) -> Bounds | None:
    """Return where the CV of passes without pan noise lies, 95 %, or None where no noise is known.

    CV² is a quadratic form in the pans' rates over the square of their integral. Noise of the pans adds its own
    evenness: on average b = tr(Q S) for a covariance S. With u the standard uncertainty of CV by its gradient, the
    root of CV² - (b - u²)/2 is nearly normal with deviation u, whether CV or the noise is the larger (for noise that
    is alike in all directions the approximation of a non-central chi by R. A. Fisher's root). So the bounds are
    ``(sqrt(CV² - h) -/+ t u)² - h`` with h = (b - u²)/2, and 0 where that is below. A pan's noise is taken to be
    proportional to its rate, and pans to scatter independently; t has the degrees of freedom of the pooled noise.
    A Monte Carlo that draws noise on top of what was measured gives larger CVs, the more so the smaller CV is, since
    noise then counts twice (``python -m tests.studies monte_carlo``).

    Parameters
    ----------
    pattern : Pattern
        With its pooled noise.
    spacings : FloatArray
        (k,) [m].
    driving : str
        ``one_way`` or ``back_and_forth``.
    """
    if pattern.noise is None:
        return None
    variance = (pattern.noise * pattern.rate) ** 2 / pattern.rows
    parts = list(_parts(pattern, variance, spacings, driving))
    square, bias, spread = (np.concatenate(part) for part in zip(*parts, strict=True))
    offset = (bias - spread**2) / 2
    root = np.sqrt(np.maximum(square - offset, 0.0))
    reach = float(stdtrit(pattern.noise_freedom, 0.5 + COVERAGE / 2)) * spread
    low = np.maximum(root - reach, 0.0) ** 2 - offset
    high = (root + reach) ** 2 - offset
    return Bounds(spacings, np.sqrt(np.maximum(low, 0.0)), np.sqrt(np.maximum(high, 0.0)))


def _parts(
    pattern: Pattern, variance: FloatArray, spacings: FloatArray, driving: Driving
) -> Iterator[tuple[FloatArray, FloatArray, FloatArray]]:
    """Yield CV², the noise's share in it, and the standard uncertainty of CV, for a batch of spacings at a time."""
    weight = trapezoid_weights(pattern.position)
    done = 0
    for fold in folds(pattern.position, spacings, driving):
        s = spacings[done : done + len(fold.share)]
        done += len(s)
        yield _moments(fold, pattern.rate, variance, weight / s[:, None])


def _moments(
    fold: Fold, rate: FloatArray, variance: FloatArray, mean_weight: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """CV², bias and u; `mean_weight` (k, n) turns rates into the field's mean."""
    share = fold.share
    middle, half = (part @ rate for part in (fold.middle, fold.half_rise))
    middle, half = middle.reshape(share.shape), half.reshape(share.shape)
    mean = mean_weight @ rate
    off = middle - mean[:, None]
    square = (share * (off**2 + half**2 / 3)).sum(axis=1) / mean**2
    own = (share * (fold.squares @ variance).reshape(share.shape)).sum(axis=1) - mean_weight**2 @ variance
    piece, place = fold.places
    told = fold.middle.data * (share * off).ravel()[piece] + fold.half_rise.data * (share * half / 3).ravel()[piece]
    gradient = np.bincount(place, told, minlength=mean_weight.size).reshape(mean_weight.shape)
    gradient = gradient / mean[:, None] ** 2 - (square / mean)[:, None] * mean_weight
    cv = np.sqrt(np.maximum(square, 1e-300))
    return square, own / mean**2, np.sqrt(gradient**2 @ variance) / cv
