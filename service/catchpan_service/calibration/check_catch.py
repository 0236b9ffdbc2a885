"""Check catches against a curve that is in use: accept, catch again, correct, or calibrate again."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc, stdtr

from .catches import SAME_OPENING, Catches, FloatArray, UncertaintyModel
from .curve import FlowCurve, flow, log_covariance, log_slope
from .errors import CalibrationError
from .findings import Finding
from .opening import LARGEST_CORRECTION, SAME, gate_share
from .pooling import own_uncertainty, spread_of, type_b_of

TOLERANCE = 0.05
"""Share of the wanted rate by which the true one may be off: 4.75 to 5.25 for 5 (UMass Amherst, "Rotary
Spreader Calibration Procedures")."""

CONFIDENCE = 0.9
"""Assumed: probability from which something counts as shown."""

DISAGREEMENT_LEVEL = 0.01
"""Probability of ratios this far apart below which they disagree."""

LARGEST_RATIO = 100.0
"""A catch further than this factor from its curve is of another machine or material."""

MOST_MORE_CATCHES = 8
"""Further catches that are worth proposing."""


@dataclass(frozen=True)
class CheckedOpening:
    """The check catches at one opening.

    Attributes
    ----------
    opening : float
    catches : int
    ratio : float
        Caught flow over the flow that the curve, with its correction, promises.
    standard_uncertainty : float
        Relative, of the ratio; without the shared term.
    within_tolerance : float
        Probability that the true flow is within the tolerance.
    """

    opening: float
    catches: int
    ratio: float
    standard_uncertainty: float
    within_tolerance: float


@dataclass(frozen=True)
class CheckCatch:
    """What check catches say; see :func:`check_catch`.

    Attributes
    ----------
    decision : str
        ``accept``, ``catch_again``, ``correct`` or ``calibrate_again``.
    openings : tuple of CheckedOpening
        Ascending.
    ratio, standard_uncertainty : float
        Of all openings together, the shared term included.
    degrees_of_freedom : float
    within_tolerance : float
        Probability that the true flow is within the tolerance; of ratios that disagree that of the worst opening.
    within_if_corrected : float
        The same once the correction is made.
    correction : float
        The correction in force times the ratio.
    agreement_p : float or None
        Probability of ratios this far apart if one factor held for all openings; None with one opening.
    more_catches : int or None
        Fewest further catches after which the answer would be clear if the ratio stayed; None where more do not help.
    findings : tuple of Finding
    """

    decision: str
    openings: tuple[CheckedOpening, ...]
    ratio: float
    standard_uncertainty: float
    degrees_of_freedom: float
    within_tolerance: float
    within_if_corrected: float
    correction: float
    agreement_p: float | None
    more_catches: int | None
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class Ratios:
    """ln(caught/promised) at each checked opening, and what is known of it; see :func:`ratios_of`.

    Attributes
    ----------
    opening, log_ratio : FloatArray
    catch_variance, opening_variance : FloatArray
        Of the log ratio: from the catches' own scatter, and from setting the opening once.
    count : tuple of int
    curve_covariance : FloatArray
        (n, n), of the logarithm of the curve's flows.
    freedom : float
        Degrees of freedom of the catches' scatter.
    """

    opening: FloatArray
    log_ratio: FloatArray
    catch_variance: FloatArray
    opening_variance: FloatArray
    count: tuple[int, ...]
    curve_covariance: FloatArray
    freedom: float

    @property
    def variance(self) -> FloatArray:
        """Variance of each log ratio, without what all share."""
        return self.catch_variance + self.opening_variance

    def agreement(self) -> float | None:
        """Probability of ratios this far apart if one factor held for all; None for one opening.

        Generalised least squares with the curve's own covariance: a poorly known curve makes no stop move.
        """
        if len(self.opening) == 1:
            return None
        weights = np.linalg.inv(self.curve_covariance + np.diag(self.variance))
        mean = (weights @ self.log_ratio).sum() / weights.sum()
        off = self.log_ratio - mean
        return float(chdtrc(len(off) - 1, max(float(off @ weights @ off), 0.0)))


def check_catch(
    curve: FlowCurve,
    checks: Catches,
    *,
    correction: float = 1.0,
    tolerance: float = TOLERANCE,
    confidence: float = CONFIDENCE,
    model: UncertaintyModel | None = None,
) -> CheckCatch:
    """Decide from check catches whether a machine still does what its curve promises.

    Parameters
    ----------
    curve : FlowCurve
    checks : Catches
        Steady catches, at one or more openings that the curve covers.
    correction : float
        Factor on the curve's flow that is in force on this machine or lot, 0.9 to 1.1.
    tolerance : float
        Share of the wanted rate by which the true one may be off.
    confidence : float
        Probability from which something counts as shown, 0.5 to 1.
    model : UncertaintyModel, optional
        What is known about the check catches' errors; default all assumed.

    Returns
    -------
    CheckCatch

    Raises
    ------
    CalibrationError
        No steady catch, an opening where the curve has no flow, or a value that cannot be.

    Notes
    -----
    The logarithm of the true over the promised flow is y + u t, with y the weighted mean of the log ratios and t
    of Student's distribution with the degrees of freedom of Welch and Satterthwaite (GUM, G.4). u² holds the
    scatter of the catches, one setting of each opening, and what the catches share, and is raised where the
    ratios differ by more than that. Setting the gate anew in use is not in it: no check can judge that.

    One opening never leads to ``correct``, since a moved stop and another flow look alike there.

    Examples
    --------
    >>> from catchpan_service.calibration.catches import catches
    >>> from catchpan_service.calibration.flow_curve import fit_flow_curve
    >>> made_up = catches(opening=[0.2, 0.4, 0.6, 0.8], mass=[1.0, 3.0, 3.0, 3.0], duration=[40, 35, 18, 11])
    >>> checked = catches(opening=[0.4, 0.6], mass=[3.0, 3.0], duration=[35, 18])
    >>> check_catch(fit_flow_curve(made_up).curve, checked).decision
    'accept'
    """
    _check_share("correction", correction, 1.0 - LARGEST_CORRECTION, 1.0 + LARGEST_CORRECTION)
    _check_share("tolerance", tolerance, 1e-3, 0.5)
    _check_share("confidence", confidence, 0.5, 0.999)
    model = model or UncertaintyModel()
    found = ratios_of(curve, checks, correction=correction, model=model)
    judged = _Judged(found, model.shared_uncertainty, tolerance, confidence, correction)
    decision = judged.decision()
    more = judged.more_catches() if decision == "catch_again" else None
    return CheckCatch(
        decision,
        judged.openings(),
        math.exp(judged.mean),
        judged.uncertainty,
        judged.freedom,
        judged.within,
        judged.inside(0.0, judged.uncertainty, judged.freedom),
        correction * math.exp(judged.mean),
        judged.agreement,
        more,
        tuple(_findings(judged, decision, more)),
    )


def ratios_of(curve: FlowCurve, checks: Catches, *, correction: float, model: UncertaintyModel) -> Ratios:
    """Log ratios of steady catches to what the curve promises, one for each opening, ascending.

    Raises
    ------
    CalibrationError
        No steady catch, gates that the curve does not describe, or an opening where it has no flow.
    """
    groups = _groups(checks)
    flows = np.divide(checks.mass, checks.duration)
    spread = spread_of(flows.tolist(), list(groups.values()), model)
    own = own_uncertainty(spread, type_b_of(checks, model))
    openings = np.array([opening for opening, _ in groups])
    shares = np.array([_share(curve, gates, members[0]) for (_, gates), members in groups.items()])
    promised = flow(curve, openings) * shares * correction
    _check_promised(promised, list(groups.values()), checks)
    weights = [[own[index] ** -2 for index in members] for members in groups.values()]
    logs = [
        float(np.average(np.log(flows[members]), weights=weight))
        for members, weight in zip(groups.values(), weights, strict=True)
    ]
    log_ratio = np.array(logs) - np.log(promised)
    _check_near(log_ratio, list(groups.values()))
    return Ratios(
        openings,
        log_ratio,
        np.array([1.0 / sum(weight) for weight in weights]),
        (log_slope(curve, openings) * model.opening_uncertainty) ** 2,
        tuple(len(members) for members in groups.values()),
        log_covariance(curve, openings),
        spread.degrees_of_freedom,
    )


def _groups(checks: Catches) -> dict[tuple[float, str], list[int]]:
    """Numbers of the steady catches by opening and gates, ascending."""
    groups: dict[tuple[float, str], list[int]] = {}
    rows = zip(checks.opening.tolist(), checks.gates, checks.stream, strict=True)
    for index, (opening, gates, stream) in enumerate(rows):
        if stream == "steady":
            groups.setdefault((round(opening, SAME_OPENING), gates), []).append(index)
    if not groups:
        allowed = "a steady catch at least"
        raise CalibrationError("no_steady_catch", "no catch was steady", where=("catches",), allowed=allowed)
    return dict(sorted(groups.items()))


def _share(curve: FlowCurve, gates: str, index: int) -> float:
    try:
        return gate_share(curve, gates)
    except CalibrationError as error:
        where = ("catches", index, "gates")
        raise CalibrationError(error.code, str(error), where=where, given=gates, allowed=error.allowed) from error


def _check_promised(promised: FloatArray, groups: Sequence[Sequence[int]], checks: Catches) -> None:
    for value, members in zip(promised.tolist(), groups, strict=True):
        if not value > 0.0:
            raise CalibrationError(
                "outside_curve",
                f"catch {members[0] + 1}: the curve has no flow at its opening",
                where=("catches", members[0], "opening"),
                given=float(checks.opening[members[0]]),
                allowed="an opening where the curve has a flow",
            )


def _check_near(log_ratio: FloatArray, groups: Sequence[Sequence[int]]) -> None:
    for value, members in zip(log_ratio.tolist(), groups, strict=True):
        if not abs(value) <= math.log(LARGEST_RATIO):
            raise CalibrationError(
                "another_flow",
                f"catch {members[0] + 1} is off its curve by a factor of more than {LARGEST_RATIO:g}",
                where=("catches", members[0], "mass"),
                given=math.exp(min(value, 700.0)),
                allowed="a catch of the machine and material that the curve is of",
            )


def _check_share(name: str, value: float, low: float, high: float) -> None:
    if not low - SAME <= value <= high + SAME:
        allowed = f"{low:g} to {high:g}"
        raise CalibrationError(
            f"bad_{name}", f"{name} is {value!r}; allowed is {allowed}", where=(name,), given=value, allowed=allowed
        )


class _Judged:
    """The ratios taken together, and the probabilities that a decision rests on."""

    def __init__(self, ratios: Ratios, shared: float, tolerance: float, confidence: float, correction: float) -> None:
        self.ratios, self.shared, self.confidence, self.correction = ratios, shared, confidence, correction
        self.bounds = math.log1p(-tolerance), math.log1p(tolerance)
        self.agreement = ratios.agreement()
        self.disagree = self.agreement is not None and self.agreement < DISAGREEMENT_LEVEL
        weights = 1.0 / ratios.variance
        self.mean = float((weights * ratios.log_ratio).sum() / weights.sum())
        chi_square = float((weights * (ratios.log_ratio - self.mean) ** 2).sum())
        self.excess = max(1.0, chi_square / max(len(weights) - 1, 1))
        self.uncertainty, self.freedom = self._spread(ratios.catch_variance)
        each = [one.within_tolerance for one in self.openings()]
        self.within = min(each) if self.disagree else self.inside(self.mean, self.uncertainty, self.freedom)

    def _spread(self, catch_variance: FloatArray) -> tuple[float, float]:
        """Standard uncertainty of the mean, the shared term included, and its degrees of freedom."""
        variance = catch_variance + self.ratios.opening_variance
        own = self.excess / float((1.0 / variance).sum())
        estimated = self.excess * float((catch_variance / variance**2).sum()) / float((1.0 / variance).sum()) ** 2
        total = own + self.shared**2
        return math.sqrt(total), min(total**2 * self.ratios.freedom / estimated**2, 1e9)

    def inside(self, mean: float, uncertainty: float, freedom: float) -> float:
        """Probability that the true log ratio is within the tolerance."""
        low, high = ((bound - mean) / uncertainty for bound in self.bounds)
        return float(stdtr(freedom, high) - stdtr(freedom, low))

    def openings(self) -> tuple[CheckedOpening, ...]:
        """Each opening by itself."""
        ratios, rows = self.ratios, []
        for k, opening in enumerate(ratios.opening.tolist()):
            own = float(ratios.variance[k])
            total = own + self.shared**2
            freedom = min(total**2 * ratios.freedom / float(ratios.catch_variance[k]) ** 2, 1e9)
            mean = float(ratios.log_ratio[k])
            within = self.inside(mean, math.sqrt(total), freedom)
            rows.append(CheckedOpening(opening, ratios.count[k], math.exp(mean), math.sqrt(own), within))
        return tuple(rows)

    def decision(self) -> str:
        """The first that applies: shown to be within; shown to be off, and how; else not shown."""
        if self.within >= self.confidence:
            return "accept"
        if 1.0 - self.within < self.confidence:
            return "catch_again"
        if self.disagree:
            return "calibrate_again"
        if abs(self.correction * math.exp(self.mean) - 1.0) > LARGEST_CORRECTION + SAME:
            return "calibrate_again"
        known = self.inside(0.0, self.uncertainty, self.freedom) >= self.confidence
        return "correct" if known and len(set(self.ratios.opening)) > 1 else "catch_again"

    def more_catches(self) -> int | None:
        """Fewest further catches, spread over the openings, that would decide if the ratio stayed."""
        if len(set(self.ratios.opening)) == 1 and 1.0 - self.within >= self.confidence:
            return 1
        made = sum(self.ratios.count)
        for more in range(1, MOST_MORE_CATCHES + 1):
            uncertainty, freedom = self._spread(self.ratios.catch_variance * made / (made + more))
            within = self.inside(self.mean, uncertainty, freedom)
            if max(within, 1.0 - within) >= self.confidence:
                return more
        return None


def _findings(judged: _Judged, decision: str, more: int | None) -> list[Finding]:
    off = 100.0 * math.expm1(judged.mean)
    side = "more" if off > 0.0 else "less"
    seen = f"The machine gives {abs(off):.1f} % {side} than its curve promises"
    if judged.disagree:
        what = "The ratios at the openings differ by more than chance explains: no one factor mends that."
        return [Finding("check_ratios_disagree", "look", what, "Find the gate's stops anew with the gauge first.")]
    if decision == "calibrate_again":
        what = f"{seen}; a correction beyond 0.9 to 1.1 would hide a fault."
        advice = "Look for the fault (unit, stops, impeller, material), then calibrate again."
        return [Finding("correction_too_large", "look", what, advice)]
    if decision == "catch_again":
        return [_undecided(judged, seen, more)]
    return []


def _undecided(judged: _Judged, seen: str, more: int | None) -> Finding:
    outside = 1.0 - judged.within >= judged.confidence
    if len(set(judged.ratios.opening)) == 1 and outside:
        advice = "Catch at a second opening far from this one: only two openings tell a moved stop from another flow."
        return Finding("check_needs_second_opening", "look", f"{seen}, at one opening.", advice)
    if more is None:
        advice = "More catches do not help: check at a larger opening, or weigh on a finer scale."
    else:
        advice = (
            f"Catch {more} more time{'s' if more > 1 else ''} at the same opening{'s' if judged.agreement else ''}."
        )
    return Finding("check_undecided", "note", f"{seen}, which is not sure enough to act on.", advice)
