"""What the catches and their fit look like to a careful eye: the findings of a flow curve.

A finding is raised only where an honest session would hardly ever raise it: the levels below are set
so that together they accuse fewer than one honest session in fifty.
"""

import math
from collections.abc import Generator, Iterator, Sequence
from itertools import pairwise

from scipy.special import chdtrc

from .errors import CalibrationError
from .evidence import Evidence, numbered, percent
from .findings import Finding
from .law import Law
from .pooling import Pool, Session, pool
from .readings import ALARM_LEVEL, against_reference, retyped, slips, suspects, swapped
from .repeats import clumps, disagreeing, untared
from .solver import Problem, Solution

FALL_LOOK, FALL_REFUSED = 2.0, 3.0
"""Combined standard uncertainties from which a fall of the flow is shown, and refused..."""

FEW_OPENINGS = 10
"""... with up to so many openings; with more, the largest of many chance falls is larger."""

IMBALANCE = 0.05
"""Relative difference of the gates from which they are out of balance (common practice)."""

IMBALANCE_SURE = 2.5
"""Standard uncertainties that the difference must exceed too."""

SMALL_CATCH = 0.03
"""Relative uncertainty from reading scale and watch alone, from which a catch is too small (assumed)."""

BAG_AGE = 86_400.0
"""Time [s] after which an opened bag is not fresh: a day (common practice: open a new bag for a calibration)."""


def find(evidence: Evidence) -> Generator[Problem, Solution, tuple[Finding, ...]]:
    """Collect the findings of a fit; the closer look at what was typed needs fits of its own.

    Raises
    ------
    CalibrationError
        Where the flow falls by more than three combined standard uncertainties and neither leaving out a
        single catch nor another reading of the catches would mend it.
    """
    pools = evidence.session.pools
    fall = _worst_fall(pools, evidence)
    buckets = list(untared(evidence))
    hung = [] if buckets else list(clumps(evidence))
    explained = frozenset([index for bucket, _ in buckets for index in bucket.members] + [index for index, _ in hung])
    repeats = list(disagreeing(evidence, explained))
    readings = against_reference(evidence)
    if buckets or repeats or _sure(fall[0], pools, FALL_LOOK) or _alarming(evidence):
        typed = yield from retyped(evidence, at_odds=bool(buckets or repeats))
        if typed:
            buckets, repeats = [], []
        elif not buckets:
            typed = yield from _read(evidence, falls=_sure(fall[0], pools, FALL_REFUSED))
        readings += [one for one in typed if one not in readings]
    findings = [finding for _, finding in buckets] + readings + [finding for _, finding in hung] + repeats
    findings += _falling(evidence, fall, explained=bool(readings or buckets))
    findings += [*_form(evidence), *_unsteady(evidence), *_gates(evidence), *_material(evidence)]
    return tuple(findings)


def _read(evidence: Evidence, *, falls: bool) -> Generator[Problem, Solution, list[Finding]]:
    """Single catches read another way, else two openings exchanged."""
    found = yield from slips(evidence)
    if falls and not found:
        found = yield from swapped(evidence)
    return found


def _alarming(evidence: Evidence) -> bool:
    law = evidence.law
    if law is None or law.degrees_of_freedom == 0:
        return False
    if law.lack_of_fit_p is not None:
        return law.lack_of_fit_p < ALARM_LEVEL
    return float(chdtrc(law.degrees_of_freedom, law.chi_square)) < ALARM_LEVEL


# --- falls --------------------------------------------------------------------------------------------


def _worst_fall(pools: Sequence[Pool], evidence: Evidence) -> tuple[float, float, float]:
    """The surest fall from the largest flow so far: combined standard uncertainties, and its two openings."""
    slopes = {pool.opening: slope for pool, slope in zip(evidence.session.pools, evidence.slopes, strict=True)}
    worst, peak = (0.0, 0.0, 0.0), pools[0]
    for after in pools[1:]:
        if after.flow >= peak.flow:
            peak = after
            continue
        blur = max(slopes[peak.opening], slopes[after.opening]) * evidence.model.opening_uncertainty
        sure = (peak.flow - after.flow) / math.hypot(peak.standard_deviation, after.standard_deviation, blur, blur)
        worst = max(worst, (sure, peak.opening, after.opening))
    return worst


def _sure(fall: float, pools: Sequence[Pool], level: float) -> bool:
    """Tell whether a fall exceeds a level; the tail of the normal law sets how it grows with their number."""
    more = max(len(pools) / FEW_OPENINGS, 1.0)
    return fall > math.sqrt(level**2 + 2.0 * math.log(more))


def _falling(evidence: Evidence, fall: tuple[float, float, float], *, explained: bool) -> list[Finding]:
    sure, low, high = fall
    where = f"from {percent(low)} to {percent(high)} opening"
    pools = evidence.session.pools
    if _sure(sure, pools, FALL_REFUSED):
        return [] if explained else [_explained_fall(evidence, where)]
    if _sure(sure, pools, FALL_LOOK):
        return [
            Finding(
                "falling_flow",
                "look",
                f"The flow falls {where}, a little more than its uncertainty explains.",
                "Catch once more at the larger of the two openings.",
            )
        ]
    merged = evidence.knots.merged if evidence.knots else ()
    return [
        Finding(
            "falling_flow",
            "note",
            f"The flow does not rise between {percent(members[0])} and {percent(members[-1])} opening; "
            "these were taken as one point of the curve.",
            "Catch once more at the larger of these openings if they matter.",
        )
        for members in merged
    ]


def _explained_fall(evidence: Evidence, where: str) -> Finding:
    mending = [index for index in suspects(evidence) if _mends(evidence, index)]
    if not mending:
        raise CalibrationError(
            "flow_falls",
            f"the flow falls {where} by more than three combined standard uncertainties, "
            "and no single catch explains it",
            where=("catches",),
            allowed="flows that rise with the opening, within their uncertainty",
        )
    names = " or ".join([numbered(index) for index in mending])
    return Finding(
        "falling_flow",
        "look",
        f"The flow falls {where}, which cannot be; without {names} it would rise.",
        f"Repeat {names}: check opening, unit, zero and empty bucket.",
        ("catches", mending[0]),
    )


def _mends(evidence: Evidence, index: int) -> bool:
    try:
        rest = pool(evidence.session.catches, evidence.model, without=index)
    except CalibrationError:
        return False
    return not _sure(_worst_fall(rest.pools, evidence)[0], rest.pools, FALL_REFUSED)


# --- form ---------------------------------------------------------------------------------------------


def _form(evidence: Evidence) -> Iterator[Finding]:
    law, openings = evidence.law, len(evidence.session.pools)
    if law is None:
        return
    if evidence.misfit:
        yield _misfit(evidence, law)
    if evidence.with_prior:
        moved = max(abs(f / p.flow - 1.0) for f, p in zip(evidence.fitted, evidence.session.pools, strict=True))
        yield Finding(
            "shape_not_tested",
            "note",
            f"{openings} openings do not show the shape of the curve, so a usual shape stands in; "
            f"it moved the flows by up to {percent(moved)}.",
            f"Catch at {4 - openings} more opening{'s' if openings < 3 else ''}, the first near "
            f"{percent(_widest_gap(evidence.session))}.",
        )
    elif law.degrees_of_freedom == 0:
        yield Finding(
            "shape_not_tested",
            "note",
            f"The curve meets all {openings} openings because it must; its shape is not tested.",
            f"Catch at one more opening, near {percent(_widest_gap(evidence.session))}.",
        )
    for name in law.at_bound if evidence.knots is None else ():
        yield Finding(
            "parameter_at_bound",
            "note",
            f"The {name.replace('_', ' ')} ended at the limit of what is allowed for it.",
            "Within the caught openings the curve is good; do not trust it below them.",
            ("parameters", name),
        )
    if not law.converged:
        yield Finding(
            "fit_not_converged",
            "look",
            "The fit did not settle on one curve.",
            "Catch at more openings, well apart from each other.",
        )


def _misfit(evidence: Evidence, law: Law) -> Finding:
    pools = evidence.session.pools
    misses = [p.flow / f - 1.0 for p, f in zip(pools, law.fitted, strict=True)]
    worst = max(misses, key=abs)
    at = pools[misses.index(worst)].opening
    what = f"The law misses the flow at {percent(at)} opening by {percent(abs(worst))}, "
    what += "more than chance explains."
    if evidence.knots is not None:
        what += " The curve goes through the points themselves instead, and says nothing beyond them."
    advice = f"Catch next at {percent(_beside(evidence, law))} opening."
    if evidence.session.repeatability.repeats == 0:
        advice = f"Repeat the catch at {percent(at)} opening, which tells scatter from shape. {advice}"
    return Finding("form_does_not_fit", "look", what, advice)


def _beside(evidence: Evidence, law: Law) -> float:
    """Middle of the wider gap beside the opening whose flow misses by the most uncertainties."""
    pools = evidence.session.pools
    rows = zip(pools, law.fitted, law.uncertainty, strict=True)
    misses = [abs(p.flow - fitted) / u for p, fitted, u in rows]
    worst = misses.index(max(misses))
    gaps = [(abs(pools[k].opening - pools[worst].opening), k) for k in (worst - 1, worst + 1) if 0 <= k < len(pools)]
    return 0.5 * (pools[worst].opening + pools[max(gaps)[1]].opening)


def _widest_gap(session: Session) -> float:
    openings = [pool.opening for pool in session.pools]
    _, low, high = max((b - a, a, b) for a, b in pairwise(openings))
    return 0.5 * (low + high)


# --- stream and gates ---------------------------------------------------------------------------------


def _unsteady(evidence: Evidence) -> Iterator[Finding]:
    for index, stream in enumerate(evidence.session.catches.stream):
        if stream == "steady":
            continue
        name = numbered(index).capitalize()
        yield Finding(
            "pulsing_catch",
            "note",
            f"{name} {'stopped' if stream == 'stopped' else 'pulsed'} and is not used for the curve.",
            "None, if crews need no such small opening; else find the smallest opening that runs evenly.",
            ("catches", index),
        )
        if index in evidence.steady.clumps:
            yield Finding(
                "unsteady_above_steady",
                "note",
                f"{name} was unsteady although a smaller opening ran evenly: a clump, it sets no limit.",
                "Look for lumps in the hopper and repeat the catch.",
                ("catches", index),
            )


def _gates(evidence: Evidence) -> Iterator[Finding]:
    balance = evidence.balance
    if balance is None:
        return
    size = abs(balance.difference)
    if size > max(IMBALANCE, IMBALANCE_SURE * balance.difference_uncertainty):
        more, less = ("left", "right") if balance.difference > 0.0 else ("right", "left")
        yield Finding(
            "gates_out_of_balance",
            "look",
            f"The {more} gate gives {percent(math.expm1(size))} more than the {less} one.",
            "Find both gates' stops anew with the gauge, then catch each side at two openings far apart.",
        )


# --- material -----------------------------------------------------------------------------------------


def _material(evidence: Evidence) -> Iterator[Finding]:
    """Catches too small to read well, and material that may not be what it should."""
    session, known = evidence.session, evidence.circumstances
    small = [index for index, part in enumerate(session.type_b) if part > SMALL_CATCH]
    if small:
        worst = max(small, key=lambda index: session.type_b[index])
        yield Finding(
            "catch_too_small",
            "note",
            f"Reading scale and watch alone makes {numbered(worst)} unsure by {percent(session.type_b[worst])}.",
            f"Catch longer at {percent(float(session.catches.opening[worst]))} opening.",
            ("catches", worst),
        )
    lots = [lot for lot, reason in zip(known.lots, session.why_unused, strict=False) if lot and reason is None]
    if len(set(lots)) > 1:
        yield Finding(
            "lots_mixed",
            "look",
            f"The catches are of {len(set(lots))} lots, which may flow differently.",
            "Catch once more of each lot at one opening.",
            ("catches", known.lots.index(next(lot for lot in lots if lot != lots[0]))),
        )
    if known.bag_age is not None and known.bag_age > BAG_AGE:
        yield Finding(
            "bag_long_open",
            "note",
            "The bag had been open for more than a day; material that has drawn moisture flows slower.",
            "Repeat one catch with material from a new bag.",
            ("bag_opened",),
        )
