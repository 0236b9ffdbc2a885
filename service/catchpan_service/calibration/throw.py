"""Throw and impeller speed: a power law from observed throws, and its inverse."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from .errors import CalibrationError
from .findings import Finding
from .limits import limited

FloatArray = NDArray[np.float64]

COVERAGE = 0.95
"""Probability that an interval holds the true value."""

THROW_UNCERTAINTY = 0.1524
"""[m], half a foot: standard uncertainty of one paced throw, whose edge is never sharp (common practice)."""

READING_WEIGHT = 8.0
"""Degrees of freedom that the stated uncertainty of a throw counts for beside the scatter (a judgement)."""

EXPONENT, EXPONENT_UNCERTAINTY = 0.8, 0.2
"""What is assumed of the exponent with fewer than three speeds. Thrown level it is 1 without air, and drag
lowers it, most for far throws of fine granules; thrown upwards it is more. The flight computation gives 0.5 to 1.2 for
granules of 1 to 4 mm thrown 3 to 12 m, 0.8 in the middle (``python -m tests.studies throws``)."""

SPEEDS_FOR_A_SHAPE = 3
"""Distinct impeller speeds from which the exponent is fitted with nothing assumed."""

LARGEST_SPEED, LARGEST_THROW = 100.0, 200.0
"""[1/s] and [m]: beyond any spreader."""

SIDES_TOLERANCE = 0.05
"""Relative difference of the throws of both sides that may stay (common practice)."""

SAME = 1e-9
"""Relative difference below which two speeds or throws are the same."""


@dataclass(frozen=True)
class ThrowLaw:
    """throw = scale x (speed / reference_speed) ^ exponent.

    Attributes
    ----------
    scale : float
        Throw at the reference speed [m].
    reference_speed : float
        Geometric mean of the observed speeds [1/s].
    exponent : float
    covariance : FloatArray
        (2, 2), of (ln scale, exponent).
    chi_square : float
        Squared residuals over the stated variances.
    degrees_of_freedom : float
        Those of the intervals.
    observations : int
    exponent_assumed : bool
        Whether the assumed exponent took part.
    speed_range, throw_range : tuple of float
        Observed [1/s], and the law's throws there [m].
    """

    scale: float
    reference_speed: float
    exponent: float
    covariance: FloatArray
    chi_square: float
    degrees_of_freedom: float
    observations: int
    exponent_assumed: bool
    speed_range: tuple[float, float]
    throw_range: tuple[float, float]


@dataclass(frozen=True)
class Estimate:
    """Values with their 95 % interval; ends are NaN where the law does not bound them.

    Attributes
    ----------
    value, low, high : FloatArray
    extrapolated : ndarray of bool
        Whether it lies outside what was observed.
    """

    value: FloatArray
    low: FloatArray
    high: FloatArray
    extrapolated: NDArray[np.bool_]


def throw_law(
    *,
    speed: ArrayLike,
    throw: ArrayLike,
    uncertainty: ArrayLike = THROW_UNCERTAINTY,
    reading_weight: float = READING_WEIGHT,
) -> ThrowLaw:
    """Fit a power law to observed throws.

    A power law, since a disc at rest throws nothing, which a straight line with an offset denies; since it is exact
    without air (exponent 1); and since over the speeds of one machine drag does little but lower the exponent. It is
    fitted in logarithms, where it is a straight line with closed-form uncertainty, each throw weighted by
    (throw / uncertainty)². The stated variance and the scatter are pooled, ``(w + chi²) / (w + nu)``, and t has
    w + nu degrees of freedom, w being the reading weight.

    Parameters
    ----------
    speed : array_like
        (n,) impeller speeds [1/s].
    throw : array_like
        (n,) throws on one side [m].
    uncertainty : array_like
        Standard uncertainty of each throw, or of all [m].
    reading_weight : float
        How far the stated uncertainty counts; 0 leaves it to the scatter alone, which then wants three speeds and
        one throw more than two.

    Raises
    ------
    CalibrationError
        For values that are no speeds or throws, or none.

    Examples
    --------
    >>> law = throw_law(speed=[5.0, 7.5, 10.0], throw=[3.0, 4.5, 6.0])
    >>> round(law.exponent, 9)
    1.0
    """
    speeds = limited("speed", speed, 1e-3, LARGEST_SPEED, "above zero and below 6000 rpm", dimensions=1)
    throws = limited("throw", throw, 1e-3, LARGEST_THROW, "above zero and no further than a disc throws", dimensions=1)
    if speeds.shape != throws.shape:
        message = "every speed needs its throw"
        raise CalibrationError(
            "wrong_shape", message, where=("throw",), given=throws.shape, allowed=f"{len(speeds)} throws"
        )
    told = np.asarray(uncertainty, dtype=np.float64)
    told = np.broadcast_to(told, speeds.shape) if told.ndim == 0 else told
    spread = limited("uncertainty", told, 1e-9, LARGEST_THROW, "above zero", dimensions=1)
    if spread.shape != speeds.shape:
        message = "every throw needs its uncertainty"
        raise CalibrationError(
            "wrong_shape", message, where=("uncertainty",), given=spread.shape, allowed=f"{len(speeds)} of them, or one"
        )
    limited("reading_weight", reading_weight, 0.0, 1e6, "0 or above")
    return _fitted(speeds, throws, throws / spread, reading_weight)


def _fitted(speeds: FloatArray, throws: FloatArray, root_weight: FloatArray, reading_weight: float) -> ThrowLaw:
    reference = float(np.exp(np.log(speeds).mean()))
    x, y = np.log(speeds / reference), np.log(throws)
    distinct = 1 + int((np.diff(np.sort(x)) > SAME).sum())
    assumed = distinct < SPEEDS_FOR_A_SHAPE
    design = np.column_stack([np.ones_like(x), x]) * root_weight[:, None]
    told = y * root_weight
    if assumed:
        design = np.vstack([design, [0.0, 1.0 / EXPONENT_UNCERTAINTY]])
        told = np.append(told, EXPONENT / EXPONENT_UNCERTAINTY)
    own = np.linalg.inv(design.T @ design)
    level, exponent = own @ design.T @ told
    chi_square = float((((level + exponent * x - y) * root_weight) ** 2).sum())
    freedom = len(x) - (1 if assumed else 2)
    if freedom + reading_weight <= 0:
        message = "the scatter alone says nothing with so few throws"
        raise CalibrationError("too_few_throws", message, where=("throw",), given=len(x), allowed="one throw more")
    pooled = (reading_weight + chi_square) / (reading_weight + freedom)
    ends = (float(speeds.min()), float(speeds.max()))
    at_ends = (math.exp(level + exponent * math.log(end / reference)) for end in ends)
    return ThrowLaw(
        scale=math.exp(level),
        reference_speed=reference,
        exponent=float(exponent),
        covariance=np.asarray(own * pooled, dtype=np.float64),
        chi_square=chi_square,
        degrees_of_freedom=reading_weight + freedom,
        observations=len(x),
        exponent_assumed=assumed,
        speed_range=ends,
        throw_range=(next(at_ends), next(at_ends)),
    )


def throw_at(law: ThrowLaw, *, speed: ArrayLike) -> Estimate:
    """Return the throws [m] at impeller speeds [1/s], and the 95 % interval of the law there.

    The interval is throw x exp(-/+ t u), with u² = V00 + 2 x V01 + x² V11 and x = ln(speed / reference).
    """
    speeds = limited("speed", speed, 1e-3, LARGEST_SPEED, "above zero and below 6000 rpm", dimensions=1)
    x = np.log(speeds / law.reference_speed)
    variance = law.covariance[0, 0] + 2 * x * law.covariance[0, 1] + x**2 * law.covariance[1, 1]
    stretch = np.exp(_t(law) * np.sqrt(variance))
    value = law.scale * np.exp(law.exponent * x)
    return Estimate(value, value / stretch, value * stretch, _outside(speeds, law.speed_range))


def speed_for(law: ThrowLaw, *, throw: ArrayLike) -> Estimate:
    """Return the impeller speeds [1/s] for throws [m].

    The interval is Fieller's: all speeds at which the wanted throw lies within the law's own interval, the roots of
    ``(a + b x - y)² = t² (V00 + 2 x V01 + x² V11)``. Where the exponent is not shown to be above zero it has no
    bound, and the ends are NaN; with an exponent that is not above zero so are the speeds. Both ends agree within a
    twentieth of the half width with a Monte Carlo of the paced throws (``python -m tests.studies monte_carlo``).
    """
    throws = limited("throw", throw, 1e-3, LARGEST_THROW, "above zero and no further than a disc throws", dimensions=1)
    y, b = np.log(throws / law.scale), law.exponent
    if b <= 0:
        nothing = np.full_like(y, np.nan)
        return Estimate(nothing, nothing, nothing, np.ones(y.shape, dtype=np.bool_))
    t = _t(law)
    square = b**2 - t**2 * law.covariance[1, 1]
    half = -y * b - t**2 * law.covariance[0, 1]
    rest = y**2 - t**2 * law.covariance[0, 0]
    root = np.sqrt(np.maximum(half**2 - square * rest, 0.0)) if square > 0 else np.full_like(y, np.nan)
    ends = (law.reference_speed * np.exp((-half + sign * root) / square) for sign in (-1.0, 1.0))
    value = law.reference_speed * np.exp(y / b)
    return Estimate(value, next(ends), next(ends), _outside(value, law.speed_range))


def throw_findings(left: ThrowLaw | None, right: ThrowLaw | None, *, extrapolated: bool) -> tuple[Finding, ...]:
    """Return what a person should look at in the laws of both sides.

    Parameters
    ----------
    left, right : ThrowLaw or None
    extrapolated : bool
        Whether any answer lies outside what was observed.
    """
    sides = [(name, law) for name, law in (("left", left), ("right", right)) if law is not None]
    found = [finding for name, law in sides for finding in _about_one(name, law)]
    if left is not None and right is not None:
        found += _about_both(left, right)
    if extrapolated:
        what = "A throw or speed lies outside what was observed: the law is only continued there."
        found.append(Finding("outside_throws", "note", what, "Pace the throw at that speed before relying on it."))
    return tuple(found)


def _about_one(name: str, law: ThrowLaw) -> list[Finding]:
    where = ("observations",)
    found = []
    if law.exponent_assumed:
        what = f"Fewer than three impeller speeds were tried on the {name}: how fast throw grows is assumed."
        advice = "Pace the throw at a slower and a faster speed."
        found.append(Finding("throw_growth_assumed", "note", what, advice, where))
    if law.exponent <= _t(law) * math.sqrt(law.covariance[1, 1]):
        what = f"The throws on the {name} do not show that throw grows with speed: no speed can be bounded."
        advice = "Check speeds and throws for a slip, and pace speeds that lie further apart."
        found.append(Finding("throw_not_rising", "look", what, advice, where))
    return found


def _about_both(left: ThrowLaw, right: ThrowLaw) -> list[Finding]:
    """Compare the sides at the middle of the observed speeds."""
    middle = [math.sqrt(left.reference_speed * right.reference_speed)]
    there = [throw_at(law, speed=middle) for law in (left, right)]
    off = float(np.log(there[0].value[0] / there[1].value[0]))
    u = math.hypot(*(float(np.log(one.high[0] / one.value[0])) for one in there))
    if abs(off) <= max(SIDES_TOLERANCE, u):
        return []
    far, near = ("left", "right") if off > 0 else ("right", "left")
    what = f"The throw on the {far} is {math.expm1(abs(off)):.0%} longer than on the {near}."
    advice = "Compare vanes and impeller speeds of both sides, and look at the pattern adjustment."
    return [Finding("sides_differ", "look", what, advice, ("observations",))]


def _t(law: ThrowLaw) -> float:
    return float(stdtrit(law.degrees_of_freedom, 0.5 + COVERAGE / 2.0))


def _outside(values: FloatArray, observed: tuple[float, float]) -> NDArray[np.bool_]:
    low, high = observed
    return np.asarray((values < low * (1 - SAME)) | (values > high * (1 + SAME)) | np.isnan(values), dtype=np.bool_)
