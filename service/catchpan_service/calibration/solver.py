"""Weighted least squares for q = a (x - c)^p within bounds, for one problem or for many at once.

The scale a enters linearly and is eliminated (variable projection, Golub & Pereyra 1973, with Kaufman's
1975 Jacobian; both from memory). What is left, the dead opening c and the exponent p, is found by a
Levenberg-Marquardt iteration that keeps to the bounds: a parameter at a bound towards which the sum
still falls is held there. It starts from the best of a few log-log lines.

:func:`solve` works in plain floats, since for half a dozen points the overhead of arrays is several
times the arithmetic; :func:`solve_many` runs the same steps on arrays and drops what has converged.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from .catches import FloatArray

START_SHARES = (0.0, 0.4, 0.7, 0.9)
"""Dead openings of the starting lines, as shares of its upper bound."""

FINE = 1e-13
"""A step is the last one if it promises less than this squared, as a share of the sum of squared flows:
rounding leaves no more to gain."""

ROUNDING = 1e-15
"""Relative rounding error of a chi-square; a step that raises it by no more is still taken."""

MOST_STEPS = 200
FIRST_DAMPING, WARM_DAMPING, LEAST_DAMPING, MOST_DAMPING = 1e-4, 1e-8, 1e-15, 1e12

TINY = 1e-14
"""Keeps a flat or singular valley from making steps without end."""

FEW_PROBLEMS = 10
"""Below this many, plain floats are quicker than arrays."""

Normal = tuple[float, float, float, float, float, float]
"""Upper triangle of a symmetric 3 x 3 matrix in (ln a, c, p), row by row."""


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
    precision : float
        When to stop, see :data:`FINE`.
    """

    opening: list[float]
    flow: list[float]
    uncertainty: list[float]
    dead_bounds: tuple[float, float]
    exponent_bounds: tuple[float, float]
    prior: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    start: tuple[float, float] | None = None
    precision: float = FINE


@dataclass(frozen=True, slots=True)
class Solution:
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


# --- one problem, plain floats ------------------------------------------------------------------------


@dataclass(slots=True)
class _State:
    """Where one iteration stands."""

    dead: float
    exponent: float
    chi_square: float
    scale: float
    normal: Normal
    pull: tuple[float, float]


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
        columns.append((f, k, g, y))
        ff += f * f
        fy += f * y
        fk += f * k
        fg += f * g
        kk += k * k
        kg += k * g
        gg += g * g
    scale = fy / ff
    chi_square = kr = gr = 0.0
    for f, k, g, y in columns:
        r = y - scale * f
        chi_square += r * r
        kr += k * r
        gr += g * r
    mean_dead, weight_dead, mean_exponent, weight_exponent = problem.prior
    off_dead, off_exponent = dead - mean_dead, exponent - mean_exponent
    chi_square += weight_dead * off_dead**2 + weight_exponent * off_exponent**2
    square, p = scale * scale, exponent
    normal = (
        square * ff,
        -square * p * fk,
        square * fg,
        square * p * p * kk + weight_dead,
        -square * p * kg,
        square * gg + weight_exponent,
    )
    pull = (-scale * p * kr - weight_dead * off_dead, scale * gr - weight_exponent * off_exponent)
    return _State(dead, exponent, chi_square, scale, normal, pull)


def _step(problem: Problem, state: _State, damping: float) -> tuple[float, float]:
    """The damped step on the parameters that are free to move, kept within the bounds."""
    aa, ac, ap, cc, cp, pp = state.normal
    by_dead, by_exponent = state.pull
    first, cross, second = cc - ac * ac / aa, cp - ac * ap / aa, pp - ap * ap / aa
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


def _held(value: float, bounds: tuple[float, float], pull: float) -> bool:
    low, high = bounds
    return (value <= low and pull <= 0.0) or (value >= high and pull >= 0.0)


def _clip(value: float, bounds: tuple[float, float]) -> float:
    low, high = bounds
    return low if value < low else min(value, high)


# --- many problems, arrays ----------------------------------------------------------------------------


@dataclass(slots=True)
class _Batch:
    """Problems as arrays; points are padded with weight 0. Rows are problems."""

    opening: FloatArray
    weight: FloatArray
    target: FloatArray
    log_flow: FloatArray
    dead_bounds: FloatArray
    exponent_bounds: FloatArray
    prior: FloatArray
    precision: FloatArray

    def of(self, rows: NDArray[np.intp]) -> "_Batch":
        return _Batch(*[getattr(self, name)[rows] for name in self.__slots__])


def solve_many(problems: Sequence[Problem]) -> list[Solution]:
    """Find the minima of many problems side by side, by the steps of :func:`solve`."""
    if len(problems) < FEW_PROBLEMS:
        return [solve(problem) for problem in problems]
    batch = _batch(problems)
    warm = np.array([problem.start is not None for problem in problems])
    start = np.array([problem.start or (0.0, 1.0) for problem in problems]).T
    if not warm.all():
        start = np.where(warm, start, _best_lines(batch))
    state, converged = _solve_batch(batch, start, warm)
    return [
        Solution(a, c, p, chi_square, (aa, ac, ap, cc, cp, pp), (by_dead, by_exponent), done)
        for (a, c, p, chi_square, aa, ac, ap, cc, cp, pp, by_dead, by_exponent), done in zip(
            state.T.tolist(), converged.tolist(), strict=True
        )
    ]


def _batch(problems: Sequence[Problem]) -> _Batch:
    counts = np.array([len(problem.opening) for problem in problems])
    real = np.arange(counts.max()) < counts[:, None]

    def padded(columns: Iterable[list[float]], fill: float) -> FloatArray:
        table = np.full(real.shape, fill)
        table[real] = np.fromiter(chain.from_iterable(columns), np.float64, counts.sum())
        return table

    opening = padded((problem.opening for problem in problems), 2.0)
    flow = padded((problem.flow for problem in problems), 1.0)
    weight = 1.0 / padded((problem.uncertainty for problem in problems), np.inf)
    single = np.array([(*one.dead_bounds, *one.exponent_bounds, *one.prior, one.precision) for one in problems])
    return _Batch(
        opening, weight, flow * weight, np.log(flow), single[:, 0:2], single[:, 2:4], single[:, 4:8], single[:, 8]
    )


def _best_lines(batch: _Batch) -> FloatArray:
    real = (batch.weight > 0.0).astype(np.float64)
    flows = _centred_batch(batch.log_flow, real)
    best = np.full(len(real), np.inf)
    start = np.zeros((2, len(real)))
    low, high = batch.dead_bounds.T
    for share in START_SHARES:
        dead = low + share * (high - low)
        logs = _centred_batch(np.log(batch.opening - dead[:, None]), real)
        spread, rise = _dot(logs, logs), _dot(logs, flows)
        exponent = np.clip(rise / spread, *batch.exponent_bounds.T)
        misses = exponent * (exponent * spread - 2.0 * rise)
        better = misses < best
        best = np.where(better, misses, best)
        start = np.where(better, [dead, exponent], start)
    return start


def _centred_batch(values: FloatArray, real: FloatArray) -> FloatArray:
    middle = np.sum(values * real, axis=1, keepdims=True) / np.sum(real, axis=1, keepdims=True)
    return np.asarray((values - middle) * real)


def _dot(left: FloatArray, right: FloatArray) -> FloatArray:
    return np.asarray(np.einsum("kj,kj->k", left, right))


def _solve_batch(batch: _Batch, start: FloatArray, warm: NDArray[np.bool_]) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Iterate until all have converged; columns are problems, rows those of :func:`_evaluate_batch`."""
    final = _evaluate_batch(batch, start[0], start[1])
    count = final.shape[1]
    converged, active = np.zeros(count, dtype=bool), np.arange(count)
    state, damping = final.copy(), np.where(warm, WARM_DAMPING, FIRST_DAMPING)
    for _ in range(MOST_STEPS):
        dead, exponent = _step_batch(batch, state, damping)
        gain = np.abs(state[10] * (dead - state[1])) + np.abs(state[11] * (exponent - state[2]))
        done = (gain <= batch.precision**2 * state[4]) | (damping > MOST_DAMPING)
        if done.any():
            final[:, active[done]] = state[:, done]
            converged[active[done]] = True
            left = np.flatnonzero(~done)
            batch, active, state, damping = batch.of(left), active[left], state[:, left], damping[left]
            dead, exponent = dead[left], exponent[left]
            if not len(active):
                break
        trial = _evaluate_batch(batch, dead, exponent)
        chi_square, size = state[3], state[4]
        better = trial[3] <= chi_square + ROUNDING * (np.sqrt(chi_square * size) + ROUNDING * size)
        state = np.where(better, trial, state)
        damping = np.where(better, np.maximum(damping * 0.01, LEAST_DAMPING), damping * 10.0)
    final[:, active] = state
    return final, converged


def _evaluate_batch(batch: _Batch, dead: FloatArray, exponent: FloatArray) -> FloatArray:
    """Rows: scale, c, p, chi-square, the six of the normal matrix, the two of the descent."""
    above = batch.opening - dead[:, None]
    z = np.log(above)
    f = batch.weight * np.exp(exponent[:, None] * z)
    k, g = f / above, f * z
    ff = _dot(f, f)
    scale = _dot(f, batch.target) / ff
    r = batch.target - scale[:, None] * f
    mean_dead, weight_dead, mean_exponent, weight_exponent = batch.prior.T
    off_dead, off_exponent = dead - mean_dead, exponent - mean_exponent
    square, p = scale * scale, exponent
    return np.array(
        [
            scale,
            dead,
            exponent,
            _dot(r, r) + weight_dead * off_dead**2 + weight_exponent * off_exponent**2,
            square * ff,
            -square * p * _dot(f, k),
            square * _dot(f, g),
            square * p * p * _dot(k, k) + weight_dead,
            -square * p * _dot(k, g),
            square * _dot(g, g) + weight_exponent,
            -scale * p * _dot(k, r) - weight_dead * off_dead,
            scale * _dot(g, r) - weight_exponent * off_exponent,
        ]
    )


def _step_batch(batch: _Batch, state: FloatArray, damping: FloatArray) -> tuple[FloatArray, FloatArray]:
    _, dead, exponent, _, aa, ac, ap, cc, cp, pp, by_dead, by_exponent = state
    first, cross, second = cc - ac * ac / aa, cp - ac * ap / aa, pp - ap * ap / aa
    first = first + damping * np.abs(first) + TINY
    second = second + damping * np.abs(second) + TINY
    dead_held = _held_batch(dead, batch.dead_bounds, by_dead)
    exponent_held = _held_batch(exponent, batch.exponent_bounds, by_exponent)
    cross = np.where(dead_held | exponent_held, 0.0, cross)
    determinant = np.maximum(first * second - cross * cross, TINY * first * second)
    dead_step = np.where(dead_held, 0.0, (second * by_dead - cross * by_exponent) / determinant)
    exponent_step = np.where(exponent_held, 0.0, (first * by_exponent - cross * by_dead) / determinant)
    return (
        np.clip(dead + dead_step, *batch.dead_bounds.T),
        np.clip(exponent + exponent_step, *batch.exponent_bounds.T),
    )


def _held_batch(value: FloatArray, bounds: FloatArray, pull: FloatArray) -> NDArray[np.bool_]:
    low, high = bounds.T
    return np.asarray(((value <= low) & (pull <= 0.0)) | ((value >= high) & (pull >= 0.0)))
