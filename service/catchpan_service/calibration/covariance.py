"""Covariance of a fitted law's parameters from its normal matrix, also where a parameter is at its bound."""

import math
from collections.abc import Sequence
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
    solution: Solution,
    bounds: Bounds,
    at_bound: tuple[str, ...],
    excess: float,
) -> tuple[tuple[float, ...], ...]:
    """Covariance of (ln a, c, p).

    A free parameter has the inverse normal matrix. One at its bound has the distance at which the
    least sum of squares over all others, seen along it, has risen by one unit; the others follow it
    as the least squares ask. A fixed one has none.
    """
    aa, ac, ap, cc, cp, pp = solution.normal
    normal = ((aa, ac, ap), (ac, cc, cp), (ap, cp, pp))
    free = [0]
    held = []
    for index, (name, (low, high)) in enumerate(zip(("dead_opening", "exponent"), bounds, strict=True), start=1):
        if name in at_bound:
            held.append(index)
        elif low < high:
            free.append(index)
    inverse = _invert(normal, free)
    total = [[inverse[i][j] * excess for j in range(3)] for i in range(3)]
    for index in held:
        follow = [-sum([inverse[i][j] * normal[j][index] for j in range(3)]) for i in range(3)]
        follow[index] = 1.0
        bend = max(sum([follow[i] * normal[i][index] for i in range(3)]), 0.0)
        reach = _reach(abs(solution.pull[index - 1]), bend, excess)
        for i in range(3):
            for j in range(3):
                total[i][j] += reach * reach * follow[i] * follow[j]
    return tuple([tuple(row) for row in total])


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


def _invert(normal: Sequence[Sequence[float]], free: Sequence[int]) -> list[list[float]]:
    """Inverse of the free block by Gauss-Jordan on the scaled matrix, zeros elsewhere."""
    size = [math.sqrt(normal[i][i]) for i in free]
    work = [
        [normal[i][j] / (size[r] * size[k]) for k, j in enumerate(free)]
        + [1.0 if r == k else 0.0 for k in range(len(free))]
        for r, i in enumerate(free)
    ]
    for r in range(len(free)):
        pivot = work[r][r]
        if pivot < LEAST_PIVOT:
            _refuse()
        work[r] = [value / pivot for value in work[r]]
        for k in range(len(free)):
            if k != r:
                factor = work[k][r]
                work[k] = [value - factor * top for value, top in zip(work[k], work[r], strict=True)]
    inverse = [[0.0] * 3 for _ in range(3)]
    for r, i in enumerate(free):
        for k, j in enumerate(free):
            inverse[i][j] = work[r][len(free) + k] / (size[r] * size[k])
    return inverse
