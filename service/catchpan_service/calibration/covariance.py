"""Covariance of a fitted law's parameters from its normal matrix, also where a parameter is at its bound."""

import math
from typing import NoReturn

from .errors import CalibrationError
from .solver import Solution

Bounds = tuple[tuple[float, float], tuple[float, float]]
"""Lowest and highest dead opening, then exponent; equal ones fix the parameter."""

LEAST_PIVOT = 1e-13
"""A pivot of the scaled normal matrix below this is rounding error: the parameters cannot be told apart."""


def held_at(solution: Solution, bounds: Bounds) -> tuple[str, ...]:
    """Name the parameters that ended at a bound."""
    values = {"dead_opening": solution.dead_opening, "exponent": solution.exponent}
    return tuple(
        [
            name
            for (name, value), (low, high) in zip(values.items(), bounds, strict=True)
            if low < high and (value <= low or value >= high)
        ]
    )


def covariance(
    solution: Solution, bounds: Bounds, at_bound: tuple[str, ...], excess: float
) -> tuple[tuple[float, ...], ...]:
    """Covariance of (ln a, c, p).

    A free parameter has the inverse of the normal matrix, times `excess`. One at its bound has the
    distance at which the least sum of squares over all others, seen along it, has risen by one such
    unit; the others follow it as the least squares ask. A fixed one has none.

    Raises
    ------
    CalibrationError
        If rounding errors are all that tells the parameters apart.
    """
    aa, ac, ap, cc, cp, pp = solution.normal
    first, cross, second = cc - ac * ac / aa, cp - ac * ap / aa, pp - ap * ap / aa
    dead_fixed, exponent_fixed = (low == high for low, high in bounds)
    dead_free = not dead_fixed and "dead_opening" not in at_bound
    exponent_free = not exponent_fixed and "exponent" not in at_bound
    if (dead_free and first <= LEAST_PIVOT * cc) or (exponent_free and second <= LEAST_PIVOT * pp):
        _refuse()
    v_cc = v_cp = v_pp = 0.0
    if dead_free and exponent_free:
        determinant = first * second - cross * cross
        if determinant <= LEAST_PIVOT * first * second:
            _refuse()
        v_cc, v_cp, v_pp = second / determinant, -cross / determinant, first / determinant
    elif dead_free:
        v_cc = 1.0 / first
    elif exponent_free:
        v_pp = 1.0 / second
    v_cc, v_cp, v_pp = excess * v_cc, excess * v_cp, excess * v_pp
    for name in at_bound:
        at_dead = name == "dead_opening"
        own, other, other_free = (first, second, exponent_free) if at_dead else (second, first, dead_free)
        follow = -cross / other if other_free else 0.0
        reach = _reach(abs(solution.pull[0 if at_dead else 1]), max(own + cross * follow, 0.0), excess) ** 2
        v_cp += reach * follow
        v_cc += reach * (1.0 if at_dead else follow * follow)
        v_pp += reach * (follow * follow if at_dead else 1.0)
    v_ac, v_ap = -(ac * v_cc + ap * v_cp) / aa, -(ac * v_cp + ap * v_pp) / aa
    v_aa = excess / aa - (ac * v_ac + ap * v_ap) / aa
    return (v_aa, v_ac, v_ap), (v_ac, v_cc, v_cp), (v_ap, v_cp, v_pp)


def _reach(rise: float, bend: float, excess: float) -> float:
    """Distance at which 2 rise d + bend d² comes to the unit `excess`."""
    steepness = rise + math.sqrt(rise * rise + bend * excess)
    if steepness == 0.0:
        if excess == 0.0:
            return 0.0
        _refuse()
    return excess / steepness


def _refuse() -> NoReturn:
    raise CalibrationError(
        "shape_undetermined",
        "the openings are too close together to tell the shape of the curve",
        where=("catches",),
        allowed="catches at openings further apart",
    )
