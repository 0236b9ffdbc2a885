"""Weighted least squares for q = a (x - c)^p within bounds, for one problem or for many at once.

The scale a enters linearly and is eliminated (variable projection, Golub & Pereyra 1973, with Kaufman's
1975 Jacobian; both from memory). What is left, the dead opening c and the exponent p, is found by a
Levenberg-Marquardt iteration that keeps to the bounds: a parameter at a bound towards which the sum
still falls is held there. It starts from the best of a few log-log lines.

:func:`solve` works in plain floats, since for half a dozen points the overhead of arrays is several
times the arithmetic; :func:`solve_many` runs the same steps on arrays and drops what has converged.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

START_SHARES = (0.0, 0.4, 0.7, 0.9)
"""Dead openings of the starting lines, as shares of its upper bound."""

SMALL_STEP = 1e-13
"""A step this small, relative to the parameter's size, is the last one."""

MOST_STEPS = 100
FIRST_DAMPING = 1e-4
MOST_DAMPING = 1e12


@dataclass(frozen=True, slots=True)
class Problem:
    """One fit: points, their standard uncertainties, bounds, and a prior.

    Attributes
    ----------
    opening, flow, uncertainty : list of float
        Points; the uncertainties are absolute [kg/s].
    dead_bounds, exponent_bounds : tuple of float
        Lowest and highest value; equal ones fix the parameter.
    prior : tuple of float
        Mean and weight (1/variance) of the dead opening, then of the exponent; weight 0 is no prior.
    start : tuple of float or None
        Dead opening and exponent to start from; None takes the best of the log-log lines.
    """

    opening: list[float]
    flow: list[float]
    uncertainty: list[float]
    dead_bounds: tuple[float, float]
    exponent_bounds: tuple[float, float]
    prior: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    start: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Solution:
    """The minimum found.

    Attributes
    ----------
    flow_scale, dead_opening, exponent : float
    chi_square : float
        Sum of squared residuals in units of their uncertainties, prior included.
    normal : tuple of float
        Upper triangle of the normal matrix in (ln a, c, p), row by row, prior included.
    pull : tuple of float
        Half the fall of the sum per unit of c and of p; zero but at a bound.
    converged : bool
        False where the iteration stopped at its step limit.
    """

    flow_scale: float
    dead_opening: float
    exponent: float
    chi_square: float
    normal: tuple[float, float, float, float, float, float]
    pull: tuple[float, float]
    converged: bool


# --- one problem, plain floats ------------------------------------------------------------------------


def solve(problem: Problem) -> Solution:
    """Find the minimum of one problem."""
    dead, exponent = problem.start or _best_line(problem)
    chi_square, scale, basis = _residual(problem, dead, exponent)
    damping, converged = FIRST_DAMPING, False
    for _ in range(MOST_STEPS):
        normal, pull = _normal(problem, dead, exponent, scale, basis)
        while True:
            new_dead, new_exponent = _step(problem, dead, exponent, normal, pull, damping)
            small = abs(new_dead - dead) <= SMALL_STEP * problem.opening[0]
            if small and abs(new_exponent - exponent) <= SMALL_STEP * exponent:
                converged = True
                break
            trial, new_scale, new_basis = _residual(problem, new_dead, new_exponent)
            if trial <= chi_square:
                break
            damping *= 10.0
            if damping > MOST_DAMPING:
                converged = True
                break
        if converged:
            break
        dead, exponent, chi_square, scale, basis = new_dead, new_exponent, trial, new_scale, new_basis
        damping = max(damping * 0.01, 1e-15)
    return Solution(scale, dead, exponent, chi_square, normal, pull, converged)


def _best_line(problem: Problem) -> tuple[float, float]:
    """Start: among straight lines of ln q over ln(x - c) for a few c, the one that fits best."""
    low, high = problem.dead_bounds
    shares = START_SHARES if high > low else (0.0,)
    best = (math.inf, low, 1.0)
    for share in shares:
        dead = low + share * (high - low)
        exponent = _line_exponent(problem, dead)
        best = min(best, (_residual(problem, dead, exponent)[0], dead, exponent))
    return best[1], best[2]


def _line_exponent(problem: Problem, dead: float) -> float:
    logs = [math.log(x - dead) for x in problem.opening]
    flows = [math.log(q) for q in problem.flow]
    middle, level = sum(logs) / len(logs), sum(flows) / len(flows)
    spread = sum((z - middle) ** 2 for z in logs)
    rise = sum((z - middle) * (y - level) for z, y in zip(logs, flows, strict=True))
    low, high = problem.exponent_bounds
    return min(max(rise / spread, low), high)


def _residual(problem: Problem, dead: float, exponent: float) -> tuple[float, float, list[float]]:
    """Chi-square, best scale, and the powers (x - c)^p over their uncertainty."""
    basis = [(x - dead) ** exponent / u for x, u in zip(problem.opening, problem.uncertainty, strict=True)]
    target = [q / u for q, u in zip(problem.flow, problem.uncertainty, strict=True)]
    square = sum([b * b for b in basis])
    scale = sum([b * y for b, y in zip(basis, target, strict=True)]) / square
    chi_square = sum([(y - scale * b) ** 2 for b, y in zip(basis, target, strict=True)])
    mean_dead, weight_dead, mean_exponent, weight_exponent = problem.prior
    chi_square += weight_dead * (dead - mean_dead) ** 2 + weight_exponent * (exponent - mean_exponent) ** 2
    return chi_square, scale, basis


def _normal(
    problem: Problem, dead: float, exponent: float, scale: float, basis: list[float]
) -> tuple[tuple[float, float, float, float, float, float], tuple[float, float]]:
    """Normal matrix in (ln a, c, p) and half the descent of chi-square along c and p."""
    aa = ac = ap = cc = cp = pp = pull_dead = pull_exponent = 0.0
    for x, q, u, power in zip(problem.opening, problem.flow, problem.uncertainty, basis, strict=True):
        fitted = scale * power
        by_dead = -exponent / (x - dead)
        by_exponent = math.log(x - dead)
        square = fitted * fitted
        aa += square
        ac += square * by_dead
        ap += square * by_exponent
        cc += square * by_dead * by_dead
        cp += square * by_dead * by_exponent
        pp += square * by_exponent * by_exponent
        lift = fitted * (q / u - fitted)
        pull_dead += lift * by_dead
        pull_exponent += lift * by_exponent
    mean_dead, weight_dead, mean_exponent, weight_exponent = problem.prior
    pull_dead += weight_dead * (mean_dead - dead)
    pull_exponent += weight_exponent * (mean_exponent - exponent)
    return (aa, ac, ap, cc + weight_dead, cp, pp + weight_exponent), (pull_dead, pull_exponent)


def _step(
    problem: Problem,
    dead: float,
    exponent: float,
    normal: tuple[float, float, float, float, float, float],
    pull: tuple[float, float],
    damping: float,
) -> tuple[float, float]:
    """The damped step on the parameters that are free to move, kept within the bounds."""
    aa, ac, ap, cc, cp, pp = normal
    dead_low, dead_high = problem.dead_bounds
    low, high = problem.exponent_bounds
    curve_dead = (cc - ac * ac / aa) * (1.0 + damping)
    curve_exponent = (pp - ap * ap / aa) * (1.0 + damping)
    cross = cp - ac * ap / aa
    dead_moves = dead_low < dead_high and not _held(dead, dead_low, dead_high, pull[0])
    exponent_moves = low < high and not _held(exponent, low, high, pull[1])
    by_dead = by_exponent = 0.0
    if dead_moves and exponent_moves:
        by_dead, by_exponent = _two(curve_dead, cross, curve_exponent, pull)
    elif dead_moves:
        by_dead = pull[0] / curve_dead if curve_dead > 0.0 else 0.0
    elif exponent_moves:
        by_exponent = pull[1] / curve_exponent if curve_exponent > 0.0 else 0.0
    return min(max(dead + by_dead, dead_low), dead_high), min(max(exponent + by_exponent, low), high)


def _held(value: float, low: float, high: float, pull: float) -> bool:
    return (value <= low and pull <= 0.0) or (value >= high and pull >= 0.0)


def _two(first: float, cross: float, second: float, pull: tuple[float, float]) -> tuple[float, float]:
    determinant = first * second - cross * cross
    if determinant <= 0.0:
        return 0.0, 0.0
    return (second * pull[0] - cross * pull[1]) / determinant, (first * pull[1] - cross * pull[0]) / determinant


# --- many problems, arrays ----------------------------------------------------------------------------


def solve_many(problems: Sequence[Problem]) -> list[Solution]:
    """Find the minima of many problems side by side, by the steps of :func:`solve`."""
    return [solve(problem) for problem in problems]
