"""Weighted least squares for q = a (x - c)^p within bounds.

The scale a enters linearly and is eliminated (variable projection, Golub & Pereyra 1973; from memory).
What is left, the dead opening c and the exponent p, is found by a damped iteration (Levenberg 1944,
Marquardt 1963; from memory) that keeps to the bounds: a parameter at a bound towards which the sum still
falls is held there. It uses the true second derivatives where they bend upwards, else the normal matrix,
which alone may creep or circle where c and p are poorly told apart. It starts from the best of a few
log-log lines.

All in plain floats, since for half a dozen points the overhead of arrays is several times the arithmetic;
:mod:`.solver_arrays` runs the same steps on many problems at once.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

START_SHARES = (0.0, 0.4, 0.7, 0.9)
"""Dead openings of the starting lines, as shares of its upper bound."""

FINE = 1e-13
"""A step is the last one if it promises less than this squared, as a share of the sum of squared flows:
rounding leaves no more to gain."""

ROUNDING = 1e-15
"""Relative rounding error of a chi-square; a step that raises it by no more is still taken."""

MOST_STEPS = 500
FIRST_DAMPING, WARM_DAMPING, LEAST_DAMPING, MOST_DAMPING = 1e-4, 1e-8, 1e-15, 1e12

TINY = 1e-14
"""Keeps a flat or singular valley from making steps without end."""

SADDLE = 1e-3
"""Below this share of its greatest size, the determinant of the second derivatives is not trusted."""

Normal = tuple[float, float, float, float, float, float]
"""Upper triangle of a symmetric 3 x 3 matrix in (ln a, c, p), row by row."""


class Problem(NamedTuple):
    """One fit: points, their standard uncertainties, bounds, and a prior.

    Attributes
    ----------
    opening, flow, uncertainty : list of float
        Points; the uncertainties are absolute [kg/s].
    dead_bounds, exponent_bounds : tuple of float
        Lowest and highest value; equal ones fix the parameter.
    prior : tuple of float
        Mean and weight (1/variance) of the dead opening, then of the exponent, and the weight of both together
        (elements of the inverse covariance); weights 0 are no prior.
    start : tuple of float or None
        Dead opening and exponent to start from; None takes the best of the log-log lines.
    precision : float
        When to stop, see :data:`FINE`.
    """

    opening: list[float]
    flow: list[float]
    uncertainty: list[float]
    dead_bounds: tuple[float, float]
    exponent_bounds: tuple[float, float]
    prior: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)
    start: tuple[float, float] | None = None
    precision: float = FINE


class Solution(NamedTuple):
    """The minimum found.

    Attributes
    ----------
    flow_scale, dead_opening, exponent : float
    chi_square : float
        Sum of squared residuals in units of their uncertainties, prior included.
    normal : Normal
        Normal matrix, prior included.
    pull : tuple of float
        Half the fall of the sum per unit of c and of p; zero but at a bound.
    converged : bool
        False where the iteration stopped at its step limit.
    """

    flow_scale: float
    dead_opening: float
    exponent: float
    chi_square: float
    normal: Normal
    pull: tuple[float, float]
    converged: bool


@dataclass(slots=True)
class _State:
    """Where one iteration stands; `bend` holds the true second derivatives in the layout of `normal`."""

    dead: float
    exponent: float
    chi_square: float
    scale: float
    normal: Normal
    pull: tuple[float, float]
    bend: Normal


def solve(problem: Problem) -> Solution:
    """Find the minimum of one problem."""
    rows = [(x, 1.0 / u, q / u) for x, q, u in zip(problem.opening, problem.flow, problem.uncertainty, strict=True)]
    dead, exponent = problem.start or _best_line(problem)
    state = _evaluate(problem, rows, dead, exponent)
    damping = WARM_DAMPING if problem.start else FIRST_DAMPING
    for _ in range(MOST_STEPS):
        size = state.normal[0]
        dead, exponent = _step(problem, state, damping)
        gain = abs(state.pull[0] * (dead - state.dead)) + abs(state.pull[1] * (exponent - state.exponent))
        if gain <= problem.precision**2 * size or damping > MOST_DAMPING:
            return _solution(state, converged=True)
        trial = _evaluate(problem, rows, dead, exponent)
        slack = ROUNDING * (math.sqrt(state.chi_square * size) + ROUNDING * size)
        if trial.chi_square <= state.chi_square + slack:
            state = trial
            damping = max(damping * 0.01, LEAST_DAMPING)
        else:
            damping *= 10.0
    return _solution(state, converged=False)


def _solution(state: _State, *, converged: bool) -> Solution:
    return Solution(state.scale, state.dead, state.exponent, state.chi_square, state.normal, state.pull, converged)


def _best_line(problem: Problem) -> tuple[float, float]:
    """Start: among straight lines of ln q over ln(x - c) for a few c, the one that fits best."""
    low, high = problem.dead_bounds
    flows = _centred([math.log(q) for q in problem.flow])
    best = (math.inf, low, 1.0)
    for share in START_SHARES if high > low else (0.0,):
        dead = low + share * (high - low)
        logs = _centred([math.log(x - dead) for x in problem.opening])
        spread = sum([z * z for z in logs])
        rise = sum([z * y for z, y in zip(logs, flows, strict=True)])
        exponent = _clip(rise / spread, problem.exponent_bounds)
        best = min(best, (exponent * (exponent * spread - 2.0 * rise), dead, exponent))
    return best[1], best[2]


def _centred(values: list[float]) -> list[float]:
    middle = sum(values) / len(values)
    return [value - middle for value in values]


def _evaluate(problem: Problem, rows: list[tuple[float, float, float]], dead: float, exponent: float) -> _State:
    """Chi-square, best scale, normal matrix and descent at (c, p)."""
    ff = fy = fk = fg = kk = kg = gg = 0.0
    columns = []
    for x, w, y in rows:
        above = x - dead
        z = math.log(above)
        f = w * math.exp(exponent * z)
        k, g = f / above, f * z
        columns.append((f, k, g, y, above, z))
        ff += f * f
        fy += f * y
        fk += f * k
        fg += f * g
        kk += k * k
        kg += k * g
        gg += g * g
    scale = fy / ff
    chi_square = kr = gr = curved_cc = curved_cp = curved_pp = 0.0
    for f, k, g, y, above, z in columns:
        r = y - scale * f
        chi_square += r * r
        kr += k * r
        gr += g * r
        curved_cc += k * r / above
        curved_cp += k * r * z
        curved_pp += g * r * z
    mean_dead, weight_dead, mean_exponent, weight_exponent, joint = problem.prior
    off_dead, off_exponent = dead - mean_dead, exponent - mean_exponent
    pull_dead, pull_exponent = (
        weight_dead * off_dead + joint * off_exponent,
        weight_exponent * off_exponent + joint * off_dead,
    )
    chi_square += off_dead * pull_dead + off_exponent * pull_exponent
    square, p = scale * scale, exponent
    aa, ac, ap = square * ff, -square * p * fk, square * fg
    cc, cp, pp = square * p * p * kk + weight_dead, joint - square * p * kg, square * gg + weight_exponent
    by_dead, by_exponent = -scale * p * kr, scale * gr
    return _State(
        dead,
        exponent,
        chi_square,
        scale,
        (aa, ac, ap, cc, cp, pp),
        (by_dead - pull_dead, by_exponent - pull_exponent),
        (
            aa,
            ac - by_dead,
            ap - by_exponent,
            cc - scale * p * (p - 1.0) * curved_cc,
            cp + scale * (kr + p * curved_cp),
            pp - scale * curved_pp,
        ),
    )


def _step(problem: Problem, state: _State, damping: float) -> tuple[float, float]:
    """The damped step on the parameters that are free to move, kept within the bounds."""
    by_dead, by_exponent = state.pull
    first, cross, second = _reduced(state.bend)
    if first <= 0.0 or first * second - cross * cross <= SADDLE * first * abs(second):
        first, cross, second = _reduced(state.normal)
    first += damping * abs(first) + TINY
    second += damping * abs(second) + TINY
    dead_held = _held(state.dead, problem.dead_bounds, by_dead)
    exponent_held = _held(state.exponent, problem.exponent_bounds, by_exponent)
    if dead_held or exponent_held:
        cross = 0.0
    determinant = max(first * second - cross * cross, TINY * first * second)
    dead, exponent = state.dead, state.exponent
    if not dead_held:
        dead = _clip(dead + (second * by_dead - cross * by_exponent) / determinant, problem.dead_bounds)
    if not exponent_held:
        exponent = _clip(exponent + (first * by_exponent - cross * by_dead) / determinant, problem.exponent_bounds)
    return dead, exponent


def _reduced(matrix: Normal) -> tuple[float, float, float]:
    """The matrix over c and p that is left when ln a follows them."""
    aa, ac, ap, cc, cp, pp = matrix
    return cc - ac * ac / aa, cp - ac * ap / aa, pp - ap * ap / aa


def _held(value: float, bounds: tuple[float, float], pull: float) -> bool:
    low, high = bounds
    return (value <= low and pull <= 0.0) or (value >= high and pull >= 0.0)


def _clip(value: float, bounds: tuple[float, float]) -> float:
    low, high = bounds
    return low if value < low else min(value, high)
