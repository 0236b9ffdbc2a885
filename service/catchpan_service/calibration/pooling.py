"""From single catches to one flow for each opening: which catches count, how well they repeat."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .catches import (
    ENOUGH_REPEATS,
    REPEATABILITY,
    REPEATABILITY_WEIGHT,
    SAME_OPENING,
    Catches,
    UncertaintyModel,
)
from .errors import CalibrationError

LEAST_UNCERTAINTY = 1e-6
"""No flow is taken to be better known than this, relative; keeps equal repeats without a floor in bounds."""

TOLD_APART = 3.0
"""Combined standard uncertainties by which smallest and largest opening must differ."""


@dataclass(frozen=True, slots=True)
class Side:
    """The used catches of one gate setting at one opening.

    Attributes
    ----------
    members : tuple of int
        Their numbers.
    mean : float
        Weighted mean of their flows [kg/s].
    variance : float
        Its variance [kg²/s²], without what is common to the catches.
    """

    members: tuple[int, ...]
    mean: float
    variance: float


@dataclass(frozen=True, slots=True)
class Pool:
    """All used catches at one opening. Two sides are caught one after the other, and add up."""

    opening: float
    sides: tuple[Side, ...]
    flow: float
    standard_deviation: float


@dataclass(frozen=True, slots=True)
class Repeatability:
    """Relative standard deviation between repeats.

    Attributes
    ----------
    value : float
        What is used.
    degrees_of_freedom : float
        Infinite where it was given.
    seen : float or None
        What the repeats of this session alone show.
    repeats : int
        Their degrees of freedom.
    """

    value: float
    degrees_of_freedom: float
    seen: float | None
    repeats: int


@dataclass(frozen=True, slots=True)
class Session:
    """Catches sorted out: what the curve is fitted to, and what is left out and why."""

    catches: Catches
    flow: tuple[float, ...]
    why_unused: tuple[str | None, ...]
    gates: str
    pools: tuple[Pool, ...]
    repeatability: Repeatability
    type_b: tuple[float, ...]
    relative: tuple[float, ...]


def pool(catches: Catches, model: UncertaintyModel, *, without: int | None = None) -> Session:
    """Sort the catches out and pool the used ones by opening.

    Unsteady catches are not used. Where any steady catch was of both gates, those of both gates make
    the curve. Where all were of one gate, the curve is that gate's. Where left and right were caught
    apart, the curve is of both: at each opening where both sides were caught, mean left plus mean
    right; openings with one side only are not used.

    Parameters
    ----------
    catches : Catches
    model : UncertaintyModel
    without : int, optional
        Leave this catch out, as if it had not been made.
    """
    masses, durations = catches.mass.tolist(), catches.duration.tolist()
    flow = tuple([mass / duration for mass, duration in zip(masses, durations, strict=True)])
    gates, why = _sort_out(catches, without)
    groups = _group(catches, [index for index, reason in enumerate(why) if reason is None])
    if len(groups) < 2:
        _refuse_few(len(groups), sum(reason is None for reason in why))
    span = max(groups) - min(groups)
    if span <= TOLD_APART * math.sqrt(2.0) * model.opening_uncertainty:
        _refuse_equal(span, "the used openings differ by no more than their uncertainty")
    repeats = [members for by_side in groups.values() for members in by_side.values()]
    repeatability = spread_of(flow, repeats, model)
    type_b = type_b_of(catches, model)
    relative = own_uncertainty(repeatability, type_b)
    pools = tuple([_pool(opening, groups[opening], flow, relative) for opening in sorted(groups)])
    return Session(catches, flow, tuple(why), gates, pools, repeatability, type_b, relative)


def _sort_out(catches: Catches, without: int | None) -> tuple[str, list[str | None]]:
    why: list[str | None] = [None if stream == "steady" else stream for stream in catches.stream]
    if without is not None:
        why[without] = "left_out"
    used = {gates for gates, reason in zip(catches.gates, why, strict=True) if reason is None}
    if "both" in used:
        for index, gates in enumerate(catches.gates):
            if gates != "both" and why[index] is None:
                why[index] = "balance_only"
        return "both", why
    if len(used) == 2:
        _leave_out_single_sides(catches, why)
        return "both", why
    return next(iter(used), "both"), why


def _leave_out_single_sides(catches: Catches, why: list[str | None]) -> None:
    sides: dict[float, set[str]] = {}
    keys = [round(opening, SAME_OPENING) for opening in catches.opening.tolist()]
    for key, gates, reason in zip(keys, catches.gates, why, strict=True):
        if reason is None:
            sides.setdefault(key, set()).add(gates)
    for index, key in enumerate(keys):
        if why[index] is None and len(sides[key]) < 2:
            why[index] = "other_gate_missing"


def _group(catches: Catches, members: Sequence[int]) -> dict[float, dict[str, list[int]]]:
    """Numbers of the catches by opening, then by gates."""
    openings = catches.opening.tolist()
    groups: dict[float, dict[str, list[int]]] = {}
    names: dict[float, float] = {}
    for index in members:
        opening = names.setdefault(round(openings[index], SAME_OPENING), openings[index])
        groups.setdefault(opening, {}).setdefault(catches.gates[index], []).append(index)
    return groups


def _refuse_few(openings: int, used: int) -> None:
    if used >= 2 and openings == 1:
        _refuse_equal(0.0, "all used catches have the same opening")
    raise CalibrationError(
        "too_few_openings",
        "fewer than two used openings: a curve needs steady catches at two openings or more",
        where=("catches",),
        given=openings,
        allowed="steady catches at two or more openings",
    )


def _refuse_equal(span: float, what: str) -> None:
    raise CalibrationError(
        "openings_all_equal",
        f"{what}: a curve needs at least two openings",
        where=("catches",),
        given=span,
        allowed="steady catches at two openings well apart, or more",
    )


def own_uncertainty(spread: Repeatability, type_b: Sequence[float]) -> tuple[float, ...]:
    """Relative standard uncertainty of each catch alone: the spread of repeats, or readability and timer if larger."""
    return tuple([max(spread.value, known, LEAST_UNCERTAINTY) for known in type_b])


def spread_of(flow: Sequence[float], repeats: Sequence[Sequence[int]], model: UncertaintyModel) -> Repeatability:
    """Pool the spread of ln q within each opening; few repeats are drawn towards the assumed value."""
    total, freedom = 0.0, 0
    for members in repeats:
        if len(members) > 1:
            logs = [math.log(flow[index]) for index in members]
            middle = sum(logs) / len(logs)
            total += sum([(value - middle) ** 2 for value in logs])
            freedom += len(members) - 1
    seen = math.sqrt(total / freedom) if freedom else None
    if model.repeatability is not None:
        return Repeatability(model.repeatability, math.inf, seen, freedom)
    if freedom >= ENOUGH_REPEATS:
        return Repeatability(math.sqrt(total / freedom), float(freedom), seen, freedom)
    together = freedom + REPEATABILITY_WEIGHT
    drawn = math.sqrt((total + REPEATABILITY_WEIGHT * REPEATABILITY**2) / together)
    return Repeatability(drawn, together, seen, freedom)


def type_b_of(catches: Catches, model: UncertaintyModel) -> tuple[float, ...]:
    """Relative standard uncertainty of each flow from readability and timer alone; 0 where nothing fell."""
    weighing = model.scale_readability**2 / 12.0
    timer = model.timer_uncertainty**2
    rows = zip(catches.mass.tolist(), catches.duration.tolist(), catches.weighings.tolist(), strict=True)
    return tuple(
        [
            math.sqrt(count * weighing / mass**2 + timer / duration**2) if mass > 0.0 else 0.0
            for mass, duration, count in rows
        ]
    )


def _pool(opening: float, by_side: dict[str, list[int]], flow: Sequence[float], relative: Sequence[float]) -> Pool:
    sides = tuple([_side(members, flow, relative) for members in by_side.values()])
    if len(sides) == 1:
        return Pool(opening, sides, sides[0].mean, math.sqrt(sides[0].variance))
    variance = sum([side.variance for side in sides])
    return Pool(opening, sides, sum([side.mean for side in sides]), math.sqrt(variance))


def _side(members: Sequence[int], flow: Sequence[float], relative: Sequence[float]) -> Side:
    """Weighted mean of repeats; the weights are 1/u² of the relative uncertainties."""
    total = weight = 0.0
    for index in members:
        own = relative[index] ** -2
        weight += own
        total += own * flow[index]
    mean = total / weight
    return Side(tuple(members), mean, mean * mean / weight)
