"""How much machines of a kind differ, from check catches made at different times and with different materials."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from .catches import FloatArray
from .errors import CalibrationError
from .findings import Finding
from .machine_comparison import FEWEST_FOR_SPREAD

LARGEST_LOG = 5.0
"""No check is further from its curve than this [log of the ratio]."""


@dataclass(frozen=True)
class MachineSpread:
    """The spread between machines; see :func:`machine_spread`.

    Attributes
    ----------
    spread : float or None
        Relative standard deviation between machines; None below three machines.
    machines : int
        Machines that were checked beside others.
    deviation : FloatArray
        (n,), each check less the mean of its group, relative; NaN where a check stands alone.
    findings : tuple of Finding
    """

    spread: float | None
    machines: int
    deviation: FloatArray
    findings: tuple[Finding, ...]


def machine_spread(
    *, group: Sequence[int], machine: Sequence[int], log_factor: ArrayLike, standard_uncertainty: ArrayLike
) -> MachineSpread:
    """Estimate the spread between machines from one check of each machine in each group.

    A group is what shares a curve: one revision of one profile. Its mean is the curve's own error and drops out. The
    spread t solves sum of w (y - mean of the group)² = checks - groups, with w = 1/(t² + u²) (Paule and Mandel,
    J. Res. Natl. Bur. Stand. 87 (1982) 377; from memory), over the groups of two checks or more; it is 0 where the
    uncertainties alone explain the scatter.

    Parameters
    ----------
    group, machine : sequence of int, shape (n,)
    log_factor : array_like, shape (n,)
        ln(delivered over promised by the bare curve).
    standard_uncertainty : array_like, shape (n,)
        Relative, of each check, without the curve's own; above 0.

    Raises
    ------
    CalibrationError
        Columns that do not go together, or a value that cannot be.

    Examples
    --------
    >>> made_up = dict(group=[0] * 4, machine=[0, 1, 2, 3], log_factor=[-0.03, -0.01, 0.01, 0.03])
    >>> round(machine_spread(**made_up, standard_uncertainty=[0.01] * 4).spread, 4)
    0.0238
    """
    y, u = np.asarray(log_factor, dtype=np.float64), np.asarray(standard_uncertainty, dtype=np.float64)
    groups, machines = np.asarray(group, dtype=int), np.asarray(machine, dtype=int)
    _check(groups, machines, y, u)
    _, places, sizes = np.unique(groups, return_inverse=True, return_counts=True)
    beside = sizes[places] > 1
    count = len(np.unique(machines[beside]))
    spread = _solved(y[beside], u[beside], places[beside]) if count >= FEWEST_FOR_SPREAD else None
    off = np.where(beside, y - _means(y, (spread or 0.0) ** 2 + u**2, places)[places], np.nan)
    return MachineSpread(spread, count, np.expm1(off), tuple(_findings(count)))


def _means(y: FloatArray, variance: FloatArray, places: "np.ndarray[tuple[int, ...], np.dtype[np.int_]]") -> FloatArray:
    weight = np.bincount(places, 1.0 / variance)
    return np.bincount(places, y / variance) / np.where(weight > 0, weight, 1.0)


def _solved(y: FloatArray, u: FloatArray, places: "np.ndarray[tuple[int, ...], np.dtype[np.int_]]") -> float:
    freedom = len(y) - len(np.unique(places))

    def excess(variance: float) -> float:
        total = variance + u**2
        return float(((y - _means(y, total, places)[places]) ** 2 / total).sum()) - freedom

    if excess(0.0) <= 0.0:
        return 0.0
    high = float(np.ptp(y)) ** 2
    while excess(high) > 0.0:
        high *= 2.0
    return float(np.sqrt(brentq(excess, 0.0, high, xtol=1e-16, rtol=1e-12)))


def _findings(count: int) -> list[Finding]:
    if count >= FEWEST_FOR_SPREAD:
        return []
    seen = f"{count or 'No'} machine{'' if count == 1 else 's'} checked beside others"
    what = f"{seen}: too few to tell how the kind spreads."
    return [Finding("few_machines", "note", what, "Make check catches on three machines or more with one revision.")]


def _check(
    groups: "np.ndarray[tuple[int, ...], np.dtype[np.int_]]",
    machines: "np.ndarray[tuple[int, ...], np.dtype[np.int_]]",
    y: FloatArray,
    u: FloatArray,
) -> None:
    if not groups.shape == machines.shape == y.shape == u.shape or y.ndim != 1:
        message, allowed = "each check needs group, machine, factor and uncertainty", "columns of one length"
        raise CalibrationError("lengths_differ", message, where=("checks",), allowed=allowed)
    if not (np.abs(y) <= LARGEST_LOG).all():
        message, allowed = "a check is too far from its curve", f"logarithms within {LARGEST_LOG:g} of 0"
        raise CalibrationError("bad_ratio", message, where=("checks",), allowed=allowed)
    if not ((u > 1e-9) & (u <= 1.0)).all():
        message, allowed = "the uncertainty of a check cannot be that", "above 0, at most 100 %"
        raise CalibrationError("bad_standard_uncertainty", message, where=("checks",), allowed=allowed)
    if len(set(zip(groups.tolist(), machines.tolist(), strict=True))) < len(y):
        message, allowed = "a machine has two checks in one group", "one check of each machine in each group"
        raise CalibrationError("check_repeated", message, where=("checks",), allowed=allowed)
