"""What else a typed number may have meant: another unit, minutes and seconds, pounds and ounces, openings swapped.

Each reading is tried on the catches: it is told only where the catches as typed do not go together and the
catches as read do.
"""

import math
from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from scipy.special import chdtrc

from .catches import Catches
from .curve import flow, log_slope
from .errors import CalibrationError
from .evidence import Evidence, numbered, percent
from .findings import Finding
from .law import DEFAULT_PRIOR, Law, fit_law, flow_at, slope_at
from .opening import gate_share
from .pooling import pool
from .solver import Problem, Solution

UNIT_SLIPS = {
    2.2046226218: "pounds and kilograms",
    16.0: "ounces and pounds",
}
"""Ratios of units that are mixed up on scales."""

POUND = 0.45359237
"""The pound [kg]."""

SLIP_MISS = 3.0
"""A slip is recognised within so many standard uncertainties of its ratio..."""

SLIP_SIZE = 4.0
"""... and only where the catch misses the curve of the others by more than so many."""

ALARM_LEVEL = 0.01
"""Probability of the fit's misses below which single catches are examined."""

SURE_ALARM, GOOD_FIT = 1e-3, 0.05
"""A reading of all catches needs catches that hardly go together as typed, and do as read."""

WIDE_SPREAD = 0.05
"""A larger spread of repeats speaks against a reading."""

MOST_SUSPECTS = 12
"""Catches that are examined one by one, those furthest from the curve: each costs a fit."""

MOST_SWAPPED = 8
"""Catches whose openings are exchanged in pairs..."""

FEWEST_SWAPPED = 3
"""... where there are so many openings: any two flows rise one way or the other."""

REFERENCE_APART = 0.4
"""|ln| of the ratio to the reference curve from which another unit is thought of: far beyond lots and machines..."""

REFERENCE_NEAR = 0.25
"""... and below which a reading agrees with it."""

BELOW_REFERENCE = 0.10
"""Share below the reference curve from which material is suspected (assumed; lots and machines differ by less)."""

Trying = Generator[Problem, Solution, list[Finding]]


@dataclass(frozen=True, slots=True)
class Reading:
    """Another meaning of one or all catches.

    Attributes
    ----------
    code, words : str
    factors : tuple of float
        On the flow of each catch.
    """

    code: str
    words: str
    factors: tuple[float, ...]


def minutes_and_seconds(duration: float) -> float | None:
    """Duration [s] that 1.30, typed for 1 min 30 s and read as minutes or as seconds, stands for; None for others.

    Whole minutes stand for themselves.
    """
    for typed in (duration / 60.0, duration):
        whole, hundredths = divmod(round(100.0 * typed, 6), 100.0)
        if hundredths == int(hundredths) and hundredths < 60.0 and 0.0 < typed < 10.0:
            return 60.0 * whole + hundredths
    return None


def pounds_and_ounces(mass: float) -> float | None:
    """Mass [kg] that 4.06 or 4.6, typed for 4 lb 6 oz, stands for; None for others.

    Whole pounds stand for themselves.
    """
    typed = mass / POUND
    for places in (10.0, 100.0):
        whole, ounces = divmod(round(places * typed, 6), places)
        if ounces == int(ounces) and ounces < 16.0:
            return POUND * (whole + ounces / 16.0)
    return None


def _typed(catches: Catches, index: int) -> Iterator[tuple[str, str, float]]:
    """Code, words, and factor on the flow of each reading of one catch as typed in two units at once."""
    duration, mass = float(catches.duration[index]), float(catches.mass[index])
    meant = minutes_and_seconds(duration)
    if meant:
        yield "minutes_and_seconds", "minutes and seconds typed as a decimal", duration / meant
    heavy = pounds_and_ounces(mass)
    if heavy and catches.weighings[index] == 1.0:
        yield "pounds_and_ounces", "pounds and ounces typed as a decimal", heavy / mass


def suspects(evidence: Evidence, most: int = MOST_SUSPECTS) -> list[int]:
    """Numbers of the used catches that lie furthest from the curve, at most so many."""
    fitted = evidence.fitted if evidence.law is None else evidence.law.fitted
    flows = evidence.session.flow
    misses = {
        index: abs(math.log(flows[index] / side.mean * pool.flow / value))
        for pool, value in zip(evidence.session.pools, fitted, strict=True)
        for side in pool.sides
        for index in side.members
    }
    return sorted(sorted(misses, key=misses.__getitem__, reverse=True)[:most])


# --- all catches --------------------------------------------------------------------------------------


def all_readings(evidence: Evidence) -> list[Reading]:
    """Readings that every used catch allows and that change their flows unequally."""
    session = evidence.session
    used = [index for index, reason in enumerate(session.why_unused) if reason is None]
    found: dict[str, dict[int, tuple[str, float]]] = {}
    for index in used:
        for code, words, factor in _typed(session.catches, index):
            found.setdefault(code, {})[index] = (words, factor)
    readings = []
    for code, typed in found.items():
        if len(typed) == len(used):
            factors = tuple([typed[k][1] if k in typed else typed[used[0]][1] for k in range(len(session.flow))])
            readings.append(Reading(code, typed[used[0]][0], factors))
    return readings


def retyped(evidence: Evidence, *, at_odds: bool) -> Trying:
    """All catches typed in minutes.seconds or pounds.ounces: the fit as read against the fit as typed.

    Repeats `at_odds` speak against the catches as typed too, and hide a misfit behind a large spread.
    """
    if not at_odds and _as_typed(evidence) > SURE_ALARM:
        return []
    found = []
    for reading in all_readings(evidence):
        if max(reading.factors) == min(reading.factors):
            continue  # what is common to all catches shows against a reference only
        catches = evidence.session.catches
        read = replace(catches, mass=catches.mass * np.array(reading.factors))
        law = yield from _fit(read, evidence)
        if law is not None and _goodness(law) > GOOD_FIT:
            found.append(_all_finding(reading))
    return found


def _all_finding(reading: Reading) -> Finding:
    return Finding(
        reading.code,
        "look",
        f"The catches go together only if all of them are {reading.words}.",
        "Look at what was written down: if it was so, type all catches anew.",
        ("catches",),
    )


def _as_typed(evidence: Evidence) -> float:
    """Probability of the misses as they are; of no law 0, since nothing speaks for the catches as typed."""
    law = evidence.law
    return 1.0 if law is None or law.degrees_of_freedom == 0 else _goodness(law)


def _goodness(law: Law) -> float:
    return float(chdtrc(law.degrees_of_freedom, law.chi_square))


def _fit(read: Catches, evidence: Evidence) -> Generator[Problem, Solution, Law | None]:
    """The law of the catches as read; None where there is none, or their repeats are at odds."""
    try:
        session = pool(read, evidence.model)
        if session.repeatability.value > max(WIDE_SPREAD, evidence.model.repeatability or 0.0):
            return None
        return (
            yield from fit_law(
                session, form="offset_power", weighting="uncertainty", model=evidence.model, prior=DEFAULT_PRIOR
            )
        )
    except CalibrationError:
        return None


# --- openings swapped ---------------------------------------------------------------------------------


def swapped(evidence: Evidence) -> Trying:
    """Two catches whose openings were exchanged: of all pairs of suspects the one that mends the fit best."""
    if len(evidence.session.pools) < FEWEST_SWAPPED or _as_typed(evidence) > SURE_ALARM:
        return []
    best: tuple[float, int, int] = (GOOD_FIT, -1, -1)
    catches = evidence.session.catches
    for one, other in combinations(suspects(evidence, MOST_SWAPPED), 2):
        if catches.opening[one] == catches.opening[other] or catches.gates[one] != catches.gates[other]:
            continue
        opening = catches.opening.copy()
        opening[[one, other]] = opening[[other, one]]
        law = yield from _fit(replace(catches, opening=opening), evidence)
        if law is not None:
            best = max(best, (_goodness(law), one, other))
    _, one, other = best
    if one < 0:
        return []
    names = f"{numbered(one)} and {numbered(other)}"
    return [
        Finding(
            "openings_swapped",
            "look",
            f"The flows rise as they should only if the openings of {names} were exchanged.",
            f"Repeat {numbered(one)}, with an eye on the opening.",
            ("catches", one),
        )
    ]


# --- single catches -----------------------------------------------------------------------------------


def slips(evidence: Evidence) -> Trying:
    """Leave out each catch in turn: is the rest at one, and does this one miss it by a known ratio?"""
    found = []
    for index in suspects(evidence):
        miss = yield from _miss(evidence, index)
        if miss is not None:
            found += _slips_of(evidence, index, miss)
    return found


def _slips_of(evidence: Evidence, index: int, miss: tuple[float, float]) -> list[Finding]:
    """The readings of one catch that its miss matches; the units of scales first."""
    for factor, units in UNIT_SLIPS.items():
        if _matches(abs(miss[0]), math.log(factor), miss[1]):
            return [_unit_slip(index, factor, units)]
    for code, words, factor in _typed(evidence.session.catches, index):
        if _matches(miss[0], -math.log(factor), miss[1]):
            return [_typed_slip(index, code, words)]
    return []


def _miss(evidence: Evidence, index: int) -> Generator[Problem, Solution, tuple[float, float] | None]:
    """ln(flow of this catch / curve of the others), and its standard uncertainty; None if untold."""
    session = evidence.session
    try:
        rest = pool(session.catches, evidence.model, without=index)
        law = yield from fit_law(
            rest, form="offset_power", weighting="uncertainty", model=evidence.model, prior=DEFAULT_PRIOR
        )
    except CalibrationError:
        return None
    opening = session.catches.opening.tolist()[index]
    fitted = flow_at(law, opening)
    if fitted <= 0.0 or _goodness(law) < ALARM_LEVEL:
        return None
    above = opening - law.dead_opening
    gradient = (1.0, -law.exponent / above, math.log(above))
    variance = sum([gradient[i] * law.covariance[i][j] * gradient[j] for i in range(3) for j in range(3)])
    blur = slope_at(law, opening) / fitted * evidence.model.opening_uncertainty
    own = max(rest.repeatability.value, session.type_b[index])
    return math.log(session.flow[index] / fitted), math.sqrt(variance + blur**2 + own**2)


def _matches(miss: float, expected: float, uncertainty: float) -> bool:
    return abs(miss) > SLIP_SIZE * uncertainty and abs(miss - expected) < SLIP_MISS * uncertainty


def _unit_slip(index: int, factor: float, units: str) -> Finding:
    name = numbered(index)
    return Finding(
        "catch_in_another_unit",
        "look",
        f"{name.capitalize()} is off the curve of the others by a factor of about {factor:.3g}, the ratio of {units}.",
        f"Weigh {name} again if it is still in the bucket, with an eye on the scale's unit; else repeat it.",
        ("catches", index),
    )


def _typed_slip(index: int, code: str, words: str) -> Finding:
    name = numbered(index)
    return Finding(
        code,
        "look",
        f"{name.capitalize()} agrees with the others only if it is {words}.",
        f"Look at what was written down for {name}; else repeat it.",
        ("catches", index),
    )


# --- against a reference curve ------------------------------------------------------------------------


def against_reference(evidence: Evidence) -> list[Finding]:
    """All catches against another curve of the material: another unit, another way of typing, poor material."""
    logs, uncertainty = _log_ratios(evidence)
    if not logs:
        return []
    off = sum(logs.values()) / len(logs)
    if abs(off) > REFERENCE_APART:
        return list(_explained_by_reading(evidence, logs, off))
    if off < math.log1p(-BELOW_REFERENCE) and -off > SLIP_MISS * uncertainty:
        return [
            Finding(
                "flow_below_reference",
                "look",
                f"The flow is {percent(round(-math.expm1(off), 2))} below the reference curve at all openings "
                "together: an old or damp lot, it may be.",
                "Repeat one catch with material from a new bag.",
                ("catches",),
            )
        ]
    return []


def _log_ratios(evidence: Evidence) -> tuple[dict[int, float], float]:
    """ln(flow/reference) of each used catch, and the standard uncertainty of their mean; none without a reference."""
    reference, session = evidence.circumstances.reference, evidence.session
    if reference is None:
        return {}, 0.0
    logs, variance = {}, 0.0
    for index, reason in enumerate(session.why_unused):
        opening = float(session.catches.opening[index])
        promised = float(flow(reference, opening)) * gate_share(reference, session.catches.gates[index])
        if reason is None and promised > 0.0:
            logs[index] = math.log(session.flow[index] / promised)
            blur = float(log_slope(reference, opening)) * evidence.model.opening_uncertainty
            variance += session.relative[index] ** 2 + blur**2
    return logs, math.sqrt(variance) / max(len(logs), 1)


def _explained_by_reading(evidence: Evidence, logs: dict[int, float], off: float) -> Iterator[Finding]:
    for factor, units in UNIT_SLIPS.items():
        if abs(abs(off) - math.log(factor)) < REFERENCE_NEAR:
            yield Finding(
                "all_in_another_unit",
                "look",
                f"All catches are off the reference curve by a factor of about {factor:.3g}, the ratio of {units}.",
                "Weigh a known mass, such as an unopened bag, and look at the scale's unit.",
                ("catches",),
            )
            return
    for reading in all_readings(evidence):
        read = [logs[index] + math.log(reading.factors[index]) for index in logs]
        if abs(sum(read)) < REFERENCE_NEAR * len(read) and _spread(read) <= _spread(list(logs.values())) + 1e-9:
            yield _all_finding(reading)
            return


def _spread(values: Sequence[float]) -> float:
    return float(np.std(values))
