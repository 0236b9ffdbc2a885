"""What the catches and their fit look like to a careful eye: the findings of a flow curve.

A finding is raised only where an honest session would hardly ever raise it: the levels below are set
so that together they accuse fewer than one honest session in fifty.
"""

import math
from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from scipy.special import chdtrc, fdtrc

from .catches import REPEATABILITY, REPEATABILITY_WEIGHT, UncertaintyModel
from .errors import CalibrationError
from .findings import Finding
from .knots import Knots
from .law import DEFAULT_PRIOR, Law, fit_law, flow_at, slope_at
from .pooling import Pool, Session, pool
from .solver import Problem, Solution
from .steadiness import Balance, Steadiness

UNIT_SLIPS = {
    2.2046226218: "pounds and kilograms",
    16.0: "ounces and pounds",
}
"""Ratios of units that are mixed up on scales."""

SLIP_MISS = 3.0
"""A slip is recognised within so many standard uncertainties of its ratio..."""

SLIP_SIZE = 4.0
"""... and only where the catch misses the curve of the others by more than so many."""

ALARM_LEVEL = 0.01
"""Probability of the fit's misses below which single catches are examined."""

REPEATS_LEVEL = 0.005
"""Probability, over all openings of a session, below which repeats disagree."""

MOST_SUSPECTS = 12
"""Catches that are examined one by one, those furthest from the curve: each costs a fit."""

FALL_LOOK, FALL_REFUSED = 2.0, 3.0
"""Combined standard uncertainties from which a fall of the flow is shown, and refused..."""

FEW_OPENINGS = 10
"""... with up to so many openings; with more, the largest of many chance falls is larger."""

IMBALANCE = 0.05
"""Relative difference of the gates from which they are out of balance (common practice)."""

IMBALANCE_SURE = 2.5
"""Standard uncertainties that the difference must exceed too."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """A session and its fit, as far as findings rest on them."""

    session: Session
    steady: Steadiness
    balance: Balance | None
    law: Law | None
    knots: Knots | None
    fitted: Sequence[float]
    slopes: Sequence[float]
    with_prior: bool
    misfit: bool
    model: UncertaintyModel


def find(evidence: Evidence) -> Generator[Problem, Solution, tuple[Finding, ...]]:
    """Collect the findings of a fit; the closer look at single catches needs fits of its own.

    Raises
    ------
    CalibrationError
        Where the flow falls by more than three combined standard uncertainties and leaving out no
        single catch would mend it.
    """
    repeats = list(_disagreeing(evidence))
    fall = _worst_fall(evidence.session.pools, evidence)
    findings = repeats
    if repeats or _sure(fall[0], evidence.session.pools, FALL_LOOK) or _alarming(evidence):
        findings = (yield from _slips(evidence)) + findings
    findings += _falling(evidence, fall)
    findings += [*_form(evidence), *_unsteady(evidence), *_gates(evidence)]
    return tuple(findings)


def _number(index: int) -> str:
    return f"catch {index + 1}"


def _percent(value: float) -> str:
    return f"{100.0 * value:.3g} %"


# --- repeats ------------------------------------------------------------------------------------------


def _disagreeing(evidence: Evidence) -> Iterator[Finding]:
    """Each opening's repeats against all the others' and the assumption, by the F distribution."""
    session = evidence.session
    groups = [side.members for pool in session.pools for side in pool.sides if len(side.members) > 1]
    spreads = [_square_spread(session, members) for members in groups]
    everything, freedom = sum(spreads), sum([len(members) - 1 for members in groups])
    for members, spread in zip(groups, spreads, strict=True):
        own = len(members) - 1
        floor = max([session.type_b[index] for index in members]) ** 2
        chance = _chance(evidence.model, spread, own, everything - spread, freedom - own, floor)
        if chance * len(groups) < REPEATS_LEVEL:
            yield _disagreement(session, members)


def _square_spread(session: Session, members: Sequence[int]) -> float:
    logs = [math.log(session.flow[index]) for index in members]
    middle = sum(logs) / len(logs)
    return sum([(value - middle) ** 2 for value in logs])


def _chance(model: UncertaintyModel, spread: float, own: int, others: float, other_freedom: int, floor: float) -> float:
    if model.repeatability is not None:
        return float(chdtrc(own, spread / max(model.repeatability**2, floor)))
    together = other_freedom + REPEATABILITY_WEIGHT
    expected = (others + REPEATABILITY_WEIGHT * REPEATABILITY**2) / together
    return float(fdtrc(own, together, spread / own / max(expected, floor)))


def _disagreement(session: Session, members: Sequence[int]) -> Finding:
    flows = [session.flow[index] for index in members]
    names = ", ".join([str(index + 1) for index in members])
    apart = _percent(max(flows) / min(flows) - 1.0)
    return Finding(
        "repeats_disagree",
        "look",
        f"Catches {names} were made at one opening and differ by {apart}, "
        "more than the other repeats lead one to expect.",
        "Catch once more at this opening; check scale zero, empty bucket and stop-watch first.",
        ("catches", members[0]),
    )


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


def _falling(evidence: Evidence, fall: tuple[float, float, float]) -> list[Finding]:
    sure, low, high = fall
    where = f"from {_percent(low)} to {_percent(high)} opening"
    pools = evidence.session.pools
    if _sure(sure, pools, FALL_REFUSED):
        return [_explained_fall(evidence, where)]
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
            f"The flow does not rise between {_percent(members[0])} and {_percent(members[-1])} opening; "
            "these were taken as one point of the curve.",
            "Catch once more at the larger of these openings if they matter.",
        )
        for members in merged
    ]


def _explained_fall(evidence: Evidence, where: str) -> Finding:
    suspects = [index for index in _suspects(evidence) if _mends(evidence, index)]
    if not suspects:
        raise CalibrationError(
            "flow_falls",
            f"the flow falls {where} by more than three combined standard uncertainties, "
            "and no single catch explains it",
            where=("catches",),
            allowed="flows that rise with the opening, within their uncertainty",
        )
    names = " or ".join([_number(index) for index in suspects])
    return Finding(
        "falling_flow",
        "look",
        f"The flow falls {where}, which cannot be; without {names} it would rise.",
        f"Repeat {names}: check opening, unit, zero and empty bucket.",
        ("catches", suspects[0]),
    )


def _mends(evidence: Evidence, index: int) -> bool:
    try:
        rest = pool(evidence.session.catches, evidence.model, without=index)
    except CalibrationError:
        return False
    return not _sure(_worst_fall(rest.pools, evidence)[0], rest.pools, FALL_REFUSED)


def _suspects(evidence: Evidence) -> list[int]:
    """Numbers of the used catches that lie furthest from the curve, at most :data:`MOST_SUSPECTS`."""
    fitted = evidence.fitted if evidence.law is None else evidence.law.fitted
    flows = evidence.session.flow
    misses = {
        index: abs(math.log(flows[index] / side.mean * pool.flow / value))
        for pool, value in zip(evidence.session.pools, fitted, strict=True)
        for side in pool.sides
        for index in side.members
    }
    return sorted(sorted(misses, key=misses.__getitem__, reverse=True)[:MOST_SUSPECTS])


# --- units --------------------------------------------------------------------------------------------


def _alarming(evidence: Evidence) -> bool:
    law = evidence.law
    if law is None or law.degrees_of_freedom == 0:
        return False
    if law.lack_of_fit_p is not None:
        return law.lack_of_fit_p < ALARM_LEVEL
    return float(chdtrc(law.degrees_of_freedom, law.chi_square)) < ALARM_LEVEL


def _slips(evidence: Evidence) -> Generator[Problem, Solution, list[Finding]]:
    """Leave out each catch in turn: is the rest at one, and does this one miss it by a ratio of units?"""
    found = []
    for index in _suspects(evidence):
        miss = yield from _miss(evidence, index)
        if miss is not None:
            found += [_slip(index, factor, name) for factor, name in UNIT_SLIPS.items() if _matches(miss, factor)]
    return found


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
    if fitted <= 0.0 or float(chdtrc(law.degrees_of_freedom, law.chi_square)) < ALARM_LEVEL:
        return None
    above = opening - law.dead_opening
    gradient = (1.0, -law.exponent / above, math.log(above))
    variance = sum([gradient[i] * law.covariance[i][j] * gradient[j] for i in range(3) for j in range(3)])
    blur = slope_at(law, opening) / fitted * evidence.model.opening_uncertainty
    own = max(rest.repeatability.value, session.type_b[index])
    return math.log(session.flow[index] / fitted), math.sqrt(variance + blur**2 + own**2)


def _matches(miss: tuple[float, float], factor: float) -> bool:
    size, uncertainty = abs(miss[0]), miss[1]
    return size > SLIP_SIZE * uncertainty and abs(size - math.log(factor)) < SLIP_MISS * uncertainty


def _slip(index: int, factor: float, units: str) -> Finding:
    name = _number(index)
    return Finding(
        "catch_in_another_unit",
        "look",
        f"{name.capitalize()} is off the curve of the others by a factor of about {factor:.3g}, the ratio of {units}.",
        f"Weigh {name} again if it is still in the bucket, with an eye on the scale's unit; else repeat it.",
        ("catches", index),
    )


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
            f"it moved the flows by up to {_percent(moved)}.",
            f"Catch at {4 - openings} more opening{'s' if openings < 3 else ''}, the first near "
            f"{_percent(_widest_gap(evidence.session))}.",
        )
    elif law.degrees_of_freedom == 0:
        yield Finding(
            "shape_not_tested",
            "note",
            f"The curve meets all {openings} openings because it must; its shape is not tested.",
            f"Catch at one more opening, near {_percent(_widest_gap(evidence.session))}.",
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
    what = f"The law misses the flow at {_percent(at)} opening by {_percent(abs(worst))}, "
    what += "more than chance explains."
    if evidence.knots is not None:
        what += " The curve goes through the points themselves instead, and says nothing beyond them."
    advice = f"Catch next at {_percent(_beside(evidence, law))} opening."
    if evidence.session.repeatability.repeats == 0:
        advice = f"Repeat the catch at {_percent(at)} opening, which tells scatter from shape. {advice}"
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
        name = _number(index).capitalize()
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
            f"The {more} gate gives {_percent(math.expm1(size))} more than the {less} one.",
            "Find both gates' stops anew with the gauge, then catch each side at two openings far apart.",
        )
