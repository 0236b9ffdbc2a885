"""The forms of a flow curve as bare formulas: offset power, and monotone through knots.

Everything works on arrays over any number of cases. Flows are in kg/s, openings are shares of the
gate's range.
"""

import numpy as np
from numpy.typing import NDArray

from .catches import FloatArray


def offset_power(
    opening: FloatArray, *, flow_scale: FloatArray, dead_opening: FloatArray, exponent: FloatArray
) -> FloatArray:
    """Flow a (x - c)^p above the dead opening, else 0 [kg/s].

    The form of the Beverloo law (Chem. Eng. Sci. 15 (1961) 260), whose exponent is 3/2 for a slot
    and 5/2 for a hole (Nedderman 1992; both from memory). With c = 0 it is the plain power law.
    """
    above = np.maximum(opening - dead_opening, 0.0)
    return np.asarray(flow_scale * above**exponent)


def offset_power_slope(
    opening: FloatArray, *, flow_scale: FloatArray, dead_opening: FloatArray, exponent: FloatArray
) -> FloatArray:
    """Derivative of :func:`offset_power` with respect to the opening [kg/s per range]; 0 at and below c."""
    above = opening - dead_opening
    flows = above > 0.0
    safe = np.where(flows, above, 1.0)
    return np.where(flows, flow_scale * exponent * safe ** (exponent - 1.0), 0.0)


def offset_power_inverse(
    flow: FloatArray, *, flow_scale: FloatArray, dead_opening: FloatArray, exponent: FloatArray
) -> FloatArray:
    """Opening c + (q/a)^(1/p) that gives a flow; NaN for a flow that is not above 0, inf beyond all numbers."""
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        opening = dead_opening + np.exp(np.log(flow / flow_scale) / exponent)
    return np.where(flow > 0.0, opening, np.nan)


def offset_power_log_gradient(
    opening: FloatArray, *, dead_opening: FloatArray, exponent: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Gradient of ln q with respect to (ln a, c, p); NaN at and below the dead opening."""
    above = opening - dead_opening
    safe = np.where(above > 0.0, above, np.nan)
    return np.ones_like(safe), -exponent / safe, np.log(safe)


def knot_slopes(knots: FloatArray, values: FloatArray) -> FloatArray:
    """Slopes of the shape-preserving cubic (PCHIP) at its knots.

    Parameters
    ----------
    knots, values : ndarray, shape (..., n)
        Ascending knots and their values, n >= 2; leading axes are cases.

    Returns
    -------
    ndarray, shape (..., n)
        Inside, the weighted harmonic mean of the neighbouring secants where they share a sign, else 0;
        at the ends, the three-point estimate limited to keep the shape.

    Notes
    -----
    Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300 (from memory).
    """
    width = np.diff(knots, axis=-1)
    secant = np.diff(values, axis=-1) / width
    if secant.shape[-1] == 1:
        return np.repeat(secant, 2, axis=-1)
    slopes = np.empty(np.broadcast_shapes(knots.shape, values.shape))
    left, right = secant[..., :-1], secant[..., 1:]
    near, far = width[..., 1:] * 2 + width[..., :-1], width[..., 1:] + width[..., :-1] * 2
    same = left * right > 0.0
    safe_left, safe_right = np.where(same, left, 1.0), np.where(same, right, 1.0)
    slopes[..., 1:-1] = np.where(same, (near + far) / (near / safe_left + far / safe_right), 0.0)
    slopes[..., 0] = _end_slope(width[..., 0], width[..., 1], secant[..., 0], secant[..., 1])
    slopes[..., -1] = _end_slope(width[..., -1], width[..., -2], secant[..., -1], secant[..., -2])
    return slopes


def _end_slope(width: FloatArray, next_width: FloatArray, secant: FloatArray, next_secant: FloatArray) -> FloatArray:
    slope = ((2 * width + next_width) * secant - width * next_secant) / (width + next_width)
    slope = np.where(slope * secant <= 0.0, 0.0, slope)
    turns = (secant * next_secant <= 0.0) & (np.abs(slope) > 3.0 * np.abs(secant))
    return np.where(turns, 3.0 * secant, slope)


def monotone(
    opening: FloatArray, knots: FloatArray, values: FloatArray, slopes: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Value and derivative of the cubic through the knots; NaN outside them.

    Parameters
    ----------
    opening : ndarray, shape (..., m)
    knots, values, slopes : ndarray, shape (..., n)
        As in :func:`knot_slopes`; the leading axes equal those of `opening`.
    """
    index = _interval(opening, knots)
    inside = (opening >= knots[..., :1]) & (opening <= knots[..., -1:])
    start, width, low, first, second, third = _cubic(index, knots, values, slopes)
    share = (opening - start) / width
    value = low + share * (first + share * (second + share * third))
    derivative = (first + share * (2.0 * second + share * 3.0 * third)) / width
    return np.where(inside, value, np.nan), np.where(inside, derivative, np.nan)


def monotone_inverse(flow: FloatArray, knots: FloatArray, values: FloatArray, slopes: FloatArray) -> FloatArray:
    """Opening at which the rising cubic through the knots reaches a flow; NaN outside the knots.

    Newton's method kept inside a shrinking bracket, so it cannot leave the interval.
    """
    index = _interval(flow, values)
    inside = (flow >= values[..., :1]) & (flow <= values[..., -1:])
    start, width, low, first, second, third = _cubic(index, knots, values, slopes)
    wanted = np.where(inside, flow, low)
    below, above = np.zeros_like(wanted), np.ones_like(wanted)
    share = np.clip((wanted - low) / (first + second + third), 0.0, 1.0)
    for _ in range(60):
        miss = low + share * (first + share * (second + share * third)) - wanted
        below, above = np.where(miss <= 0.0, share, below), np.where(miss >= 0.0, share, above)
        rise = first + share * (2.0 * second + share * 3.0 * third)
        step = share - miss / np.where(rise > 0.0, rise, np.inf)
        good = (step > below) & (step < above)
        following = np.where(good, step, 0.5 * (below + above))
        moved = float(np.max(np.abs(following - share), initial=0.0))
        share = following
        if moved <= 1e-16:
            break
    return np.where(inside, start + share * width, np.nan)


def _interval(at: FloatArray, knots: FloatArray) -> NDArray[np.intp]:
    if knots.ndim == 1:
        return np.asarray(np.searchsorted(knots[1:-1], at, side="right"))
    return np.asarray((at[..., None] >= knots[..., None, 1:-1]).sum(axis=-1))


def _cubic(
    index: NDArray[np.intp], knots: FloatArray, values: FloatArray, slopes: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Start, width and the four coefficients (in the share of the interval) of the chosen intervals."""

    def pick(of: FloatArray, where: NDArray[np.intp]) -> FloatArray:
        return np.take_along_axis(np.broadcast_to(of, (*where.shape[:-1], of.shape[-1])), where, axis=-1)

    start, low = pick(knots, index), pick(values, index)
    width, rise = pick(knots, index + 1) - start, pick(values, index + 1) - low
    first, last = pick(slopes, index) * width, pick(slopes, index + 1) * width
    return start, width, low, first, 3.0 * rise - 2.0 * first - last, first + last - 2.0 * rise
