"""Do several machines, with the same openings and material, deliver the same? Analysis of variance."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtri, fdtrc, stdtr

from .catches import LEAST, MOST, SAME_OPENING, FloatArray
from .errors import CalibrationError
from .findings import Finding

LEVEL = 0.05
"""Probability below which machines count as different, and a machine as standing out, over all of them."""

FEWEST_FOR_SPREAD = 3
"""Machines from which their spread is taken for that of the kind."""


@dataclass(frozen=True)
class MachineComparison:
    """What the machines have in common.

    Attributes
    ----------
    between_sum, within_sum : float
        Sums of squares between machines and within them.
    between_freedom, within_freedom : int
    f, p : float
        Ratio of the mean squares, and the probability of one as large if all machines were alike.
    r_squared : float
        Share of the sum of squares that lies between machines.
    within_deviation : float
        Pooled standard deviation within machines; relative for logarithms.
    between_spread : float
        Standard deviation between machines; 0 where nothing shows above the scatter within them.
    between_spread_freedom : float
        Its degrees of freedom (Satterthwaite).
    between_spread_interval : tuple of float
        95 %, from 0 where it cannot be told from 0, to infinity where hardly anything is known.
    deviation : FloatArray
        (machines,), each machine less the mean of all; for logarithms relative, exp(...) - 1.
    stands_out : tuple of bool
    findings : tuple of Finding
    """

    between_sum: float
    within_sum: float
    between_freedom: int
    within_freedom: int
    f: float
    p: float
    r_squared: float
    within_deviation: float
    between_spread: float
    between_spread_freedom: float
    between_spread_interval: tuple[float, float]
    deviation: FloatArray
    stands_out: tuple[bool, ...]
    findings: tuple[Finding, ...]


def machine_comparison(
    *, machine: Sequence[int], opening: ArrayLike, flow: ArrayLike, logarithms: bool = True
) -> MachineComparison:
    """Compare machines by their catches at the same openings.

    The model is additive: flow (or its logarithm) = machine + opening + error, by least squares; with one opening it is
    the one-way analysis of variance (NIST/SEMATECH e-Handbook, 7.4.3). The spread between machines is the root of
    (mean square between - mean square within)/n0, n0 the effective catches for each machine.

    Parameters
    ----------
    machine : sequence of int, shape (n,)
        Machine of each catch, from 0.
    opening : array_like, shape (n,)
        Its opening [share of range].
    flow : array_like, shape (n,)
        Its flow [kg/s].
    logarithms : bool
        Compare ln(flow), so that differences are relative.

    Raises
    ------
    CalibrationError
        Fewer than two machines, a machine without one of the openings, no repeats at all, a flow not above 0.
    """
    owner, places, values = (
        np.asarray(machine, dtype=int),
        np.asarray(opening, dtype=np.float64),
        np.asarray(flow, dtype=np.float64),
    )
    count = _check(owner, places, values)
    y = np.log(values) if logarithms else values
    levels, which = np.unique(np.round(places, SAME_OPENING), return_inverse=True)
    effects, within, between = _additive(owner, which, y, count, len(levels))
    freedom = len(y) - count - len(levels) + 1
    if freedom < 1:
        message = "without repeats nothing tells a machine's difference from scatter"
        allowed = "two catches or more at one opening, or two openings or more"
        raise CalibrationError("no_repeats", message, where=("machines",), allowed=allowed)
    mean_between, mean_within = between / (count - 1), within / freedom
    f = mean_between / mean_within if mean_within > 0 else np.inf
    sizes = np.bincount(owner, minlength=count)
    spread, spread_freedom, interval = _spread(mean_between, mean_within, count, freedom, _effective(sizes))
    out = _standing_out(effects, sizes, mean_within, freedom)
    p = float(fdtrc(count - 1, freedom, f)) if np.isfinite(f) else 0.0
    shown = np.expm1(effects) if logarithms else effects
    return MachineComparison(
        between,
        within,
        count - 1,
        freedom,
        float(f),
        p,
        between / (between + within) if between + within > 0 else 0.0,
        float(np.sqrt(mean_within)),
        spread,
        spread_freedom,
        interval,
        shown,
        out,
        tuple(_findings(p, shown, out, count)),
    )


def _additive(
    owner: "np.ndarray[tuple[int, ...], np.dtype[np.int_]]",
    which: "np.ndarray[tuple[int, ...], np.dtype[np.int_]]",
    y: FloatArray,
    machines: int,
    openings: int,
) -> tuple[FloatArray, float, float]:
    """Machine effects about their mean, the sum of squares within, and that between machines after the openings."""
    own, place = np.eye(machines)[owner], np.eye(openings)[which]
    whole = np.hstack([own, place[:, 1:]])
    solution = np.linalg.lstsq(whole, y, rcond=None)[0]
    within = float(((y - whole @ solution) ** 2).sum())
    alone = place @ np.linalg.lstsq(place, y, rcond=None)[0]
    effects = solution[:machines]
    return effects - effects.mean(), within, max(0.0, float(((y - alone) ** 2).sum()) - within)


def _effective(sizes: "np.ndarray[tuple[int, ...], np.dtype[np.int_]]") -> float:
    total = sizes.sum()
    return float((total - (sizes**2).sum() / total) / (len(sizes) - 1))


def _spread(
    between: float, within: float, machines: int, freedom: int, each: float
) -> tuple[float, float, tuple[float, float]]:
    variance = (between - within) / each
    if variance <= 0:
        highest = float(np.sqrt((machines - 1) * between / each / chdtri(machines - 1, 0.975)))
        return 0.0, float(machines - 1), (0.0, highest)
    own = variance**2 / ((between / each) ** 2 / (machines - 1) + (within / each) ** 2 / freedom)
    below, above = (float(chdtri(own, tail)) for tail in (0.975, 0.025))
    low = float(np.sqrt(own * variance / above)) if above > 0 else 0.0
    high = float(np.sqrt(own * variance / below)) if below > 0 else np.inf
    return float(np.sqrt(variance)), float(own), (low, high)


def _standing_out(
    effects: FloatArray, sizes: "np.ndarray[tuple[int, ...], np.dtype[np.int_]]", within: float, freedom: int
) -> tuple[bool, ...]:
    """Machines beyond scatter, the furthest first, each against the mean of those that are left.

    Set aside one by one, so that a machine that is far off does not make its neighbours look it; each step at the
    level over all machines that are left (Bonferroni). At least two stay.
    """
    left = list(range(len(effects)))
    while len(left) > 2:
        p = [_chance(one, left, effects, sizes, within, freedom) for one in left]
        furthest = int(np.argmin(p))
        if p[furthest] * len(left) >= LEVEL:
            break
        left.pop(furthest)
    return tuple(one not in left for one in range(len(effects)))


def _chance(
    one: int,
    left: list[int],
    effects: FloatArray,
    sizes: "np.ndarray[tuple[int, ...], np.dtype[np.int_]]",
    within: float,
    freedom: int,
) -> float:
    others = [other for other in left if other != one]
    difference = abs(float(effects[one] - effects[others].mean()))
    variance = within * (1 / sizes[one] + float((1 / sizes[others]).sum()) / len(others) ** 2)
    if variance == 0:
        return float(difference == 0)
    return float(2 * stdtr(freedom, -difference / np.sqrt(variance)))


def _findings(p: float, shown: FloatArray, out: tuple[bool, ...], count: int) -> list[Finding]:
    found = []
    for index, stands in enumerate(out):
        if stands:
            what = f"Machine {index + 1} gives {100 * shown[index]:+.1f} % against the mean of all, beyond scatter."
            advice = "Look at its stops and gates, then catch it once more at two openings."
            found.append(Finding("machine_stands_out", "look", what, advice, ("machines", index)))
    if p < LEVEL and not found:
        what = "The machines differ beyond scatter, but no single one stands out."
        found.append(Finding("machines_differ", "look", what, "Give each machine its own correction, or more catches."))
    if count < FEWEST_FOR_SPREAD:
        what = "Two machines tell little of how much the kind spreads."
        found.append(Finding("few_machines", "note", what, "Catch three machines or more."))
    return found


def _check(owner: "np.ndarray[tuple[int, ...], np.dtype[np.int_]]", places: FloatArray, values: FloatArray) -> int:
    if not owner.shape == places.shape == values.shape or owner.ndim != 1:
        message, allowed = "each catch needs machine, opening and flow", "columns of one length"
        raise CalibrationError("lengths_differ", message, where=("machines",), allowed=allowed)
    count = int(owner.max()) + 1 if len(owner) else 0
    if count < 2 or set(owner.tolist()) != set(range(count)):
        message, allowed = "a comparison needs two machines or more, each with catches", "two machines or more"
        raise CalibrationError("too_few_machines", message, where=("machines",), allowed=allowed)
    if not ((values >= LEAST) & (values <= MOST)).all():
        message, allowed = "a flow is not above zero", f"flows above 0, from {LEAST:g} to {MOST:g} kg/s"
        raise CalibrationError("bad_flow", message, where=("machines",), allowed=allowed)
    if not ((places > 0) & (places <= 1)).all():
        message = "an opening is not within the gate's range"
        raise CalibrationError("bad_opening", message, where=("machines",), allowed="above 0, at most 100 %")
    openings = {one: set(np.round(places[owner == one], SAME_OPENING).tolist()) for one in range(count)}
    for index, own in openings.items():
        if own != openings[0]:
            message = f"machine {index + 1} was not caught at the same openings as machine 1"
            allowed = "the same openings on every machine"
            raise CalibrationError("openings_differ", message, where=("machines", index), allowed=allowed)
    return count
