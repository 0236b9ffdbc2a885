"""The steps of :mod:`.solver` on arrays, for many problems at once; what has converged drops out."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from .catches import FloatArray
from .solver import (
    FIRST_DAMPING,
    LEAST_DAMPING,
    MOST_DAMPING,
    MOST_STEPS,
    ROUNDING,
    SADDLE,
    START_SHARES,
    TINY,
    WARM_DAMPING,
    Problem,
    Solution,
    solve,
)

FEW_PROBLEMS = 10
"""Below this many, plain floats are quicker than arrays."""


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
    """Find the minima of many problems side by side, by the steps of :func:`.solver.solve`."""
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
            state[:12].T.tolist(), converged.tolist(), strict=True
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
        opening, weight, flow * weight, np.log(flow), single[:, 0:2], single[:, 2:4], single[:, 4:9], single[:, 9]
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
    """Rows: scale, c, p, chi-square, normal matrix (six), descent (two), second derivatives (six)."""
    above = batch.opening - dead[:, None]
    z = np.log(above)
    f = batch.weight * np.exp(exponent[:, None] * z)
    inverse = 1.0 / above
    k, g = f * inverse, f * z
    ff = _dot(f, f)
    scale = _dot(f, batch.target) / ff
    r = batch.target - scale[:, None] * f
    kr, gr = k * r, g * r
    mean_dead, weight_dead, mean_exponent, weight_exponent, joint = batch.prior.T
    off_dead, off_exponent = dead - mean_dead, exponent - mean_exponent
    pull_dead, pull_exponent = (
        weight_dead * off_dead + joint * off_exponent,
        weight_exponent * off_exponent + joint * off_dead,
    )
    square, p = scale * scale, exponent
    aa, ac, ap = square * ff, -square * p * _dot(f, k), square * _dot(f, g)
    cc, cp = square * p * p * _dot(k, k) + weight_dead, joint - square * p * _dot(k, g)
    pp = square * _dot(g, g) + weight_exponent
    sum_kr = kr.sum(axis=1)
    by_dead, by_exponent = -scale * p * sum_kr, scale * gr.sum(axis=1)
    return np.array(
        [
            scale,
            dead,
            exponent,
            _dot(r, r) + off_dead * pull_dead + off_exponent * pull_exponent,
            *(aa, ac, ap, cc, cp, pp),
            by_dead - pull_dead,
            by_exponent - pull_exponent,
            aa,
            ac - by_dead,
            ap - by_exponent,
            cc - scale * p * (p - 1.0) * _dot(kr, inverse),
            cp + scale * (sum_kr + p * _dot(kr, z)),
            pp - scale * _dot(gr, z),
        ]
    )


def _step_batch(batch: _Batch, state: FloatArray, damping: FloatArray) -> tuple[FloatArray, FloatArray]:
    dead, exponent, by_dead, by_exponent = state[1], state[2], state[10], state[11]
    first, cross, second = _reduced_batch(state[12:18])
    doubtful = (first <= 0.0) | (first * second - cross * cross <= SADDLE * first * np.abs(second))
    if doubtful.any():
        first, cross, second = np.where(doubtful, _reduced_batch(state[4:10]), (first, cross, second))
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


def _reduced_batch(matrix: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    aa, ac, ap, cc, cp, pp = matrix
    return cc - ac * ac / aa, cp - ac * ap / aa, pp - ap * ap / aa


def _held_batch(value: FloatArray, bounds: FloatArray, pull: FloatArray) -> NDArray[np.bool_]:
    low, high = bounds.T
    return np.asarray(((value <= low) & (pull <= 0.0)) | ((value >= high) & (pull >= 0.0)))
