"""A curve borrowed from a like material, corrected by check catches at two openings: good for the morning."""

import math
from dataclasses import dataclass, replace

import numpy as np

from .catches import Catches, FloatArray, UncertaintyModel
from .check_catch import DISAGREEMENT_LEVEL, Ratios, ratios_of
from .curve import FlowCurve
from .errors import CalibrationError
from .findings import Finding

LARGEST_FACTOR = 2.0
"""Beyond this factor either way a curve is not of a like material."""

LARGE_FACTOR = 1.25
"""Beyond this factor the loan is doubtful (assumed)."""


@dataclass(frozen=True)
class Provisional:
    """A corrected curve; see :func:`provisional_curve`.

    Attributes
    ----------
    curve : FlowCurve
    factor, standard_uncertainty : float
        On the borrowed flows; the uncertainty is relative, the shared term included.
    ratios : Ratios
    agreement_p : float
        Probability of ratios this far apart if one factor held.
    tilt_uncertainty : float
        Standard uncertainty of the exponent that was added, since two openings tell little of the shape.
    findings : tuple of Finding
    """

    curve: FlowCurve
    factor: float
    standard_uncertainty: float
    ratios: Ratios
    agreement_p: float
    tilt_uncertainty: float
    findings: tuple[Finding, ...]


def provisional_curve(borrowed: FlowCurve, checks: Catches, *, model: UncertaintyModel | None = None) -> Provisional:
    """Correct a borrowed curve by one factor, and widen what it says.

    Parameters
    ----------
    borrowed : FlowCurve
        Of a like material on the same kind of machine.
    checks : Catches
        Of the material at hand, steady at two openings or more.
    model : UncertaintyModel, optional

    Returns
    -------
    Provisional

    Raises
    ------
    CalibrationError
        Steady catches at fewer than two openings, ratios that disagree, or a factor beyond 0.5 to 2.

    Notes
    -----
    With L = ln(x - c) (ln x for a monotone curve) the log ratios are a + b (L - mean L). The factor is exp(a); the
    tilt b is left out of the curve but not out of its uncertainty: b² + u_b² joins the variance of the exponent, about
    the mean opening of the checks, so that the curve is least sure where nothing was caught. The curve's range becomes
    that of the checks, and its smallest steady opening the smallest of them.
    """
    model = model or UncertaintyModel()
    ratios = ratios_of(borrowed, checks, correction=1.0, model=model)
    agreement = ratios.agreement()
    if agreement is None or len(set(ratios.opening.tolist())) < 2:
        allowed = "steady check catches at two openings or more"
        message = "one opening does not tell another flow from another shape"
        raise CalibrationError("too_few_openings", message, where=("catches",), given=1, allowed=allowed)
    if agreement < DISAGREEMENT_LEVEL:
        raise CalibrationError(
            "check_ratios_disagree",
            "the ratios at the openings disagree: no one factor makes this curve fit",
            where=("catches",),
            given=np.exp(ratios.log_ratio).tolist(),
            allowed="a curve whose ratios agree, or catches for a curve of its own",
        )
    level, tilt, variances, middle = _line(borrowed, ratios)
    if abs(level) > math.log(LARGEST_FACTOR):
        allowed = f"a factor from {1.0 / LARGEST_FACTOR:g} to {LARGEST_FACTOR:g}"
        message = "the material flows too unlike the borrowed curve"
        raise CalibrationError("another_flow", message, where=("catches",), given=math.exp(level), allowed=allowed)
    lean = tilt**2 + variances[1]
    curve = _corrected(borrowed, level, variances[0], lean, middle)
    low, high = float(ratios.opening.min()), float(ratios.opening.max())
    return Provisional(
        replace(
            curve,
            algorithm=f"{borrowed.form}/provisional/1",
            degrees_of_freedom=min(borrowed.degrees_of_freedom, ratios.freedom),
            opening_range=(low, high),
            smallest_steady_opening=low,
            largest_unsteady_opening=_unsteady_below(checks, low),
            opening_uncertainty=model.opening_uncertainty,
            shared_uncertainty=model.shared_uncertainty,
        ),
        math.exp(level),
        math.sqrt(variances[0] + model.shared_uncertainty**2),
        ratios,
        agreement,
        math.sqrt(lean),
        tuple(_findings(level)),
    )


def _line(borrowed: FlowCurve, ratios: Ratios) -> tuple[float, float, tuple[float, float], float]:
    """Level and tilt of the log ratios over L, their variances, and the weighted mean of L."""
    place = _place(borrowed, ratios.opening)
    weight = 1.0 / ratios.variance
    middle = float((weight * place).sum() / weight.sum())
    level = float((weight * ratios.log_ratio).sum() / weight.sum())
    across = float((weight * (place - middle) ** 2).sum())
    tilt = float((weight * (place - middle) * ratios.log_ratio).sum()) / across
    return level, tilt, (1.0 / float(weight.sum()), 1.0 / across), middle


def _place(borrowed: FlowCurve, opening: FloatArray) -> FloatArray:
    dead = 0.0 if borrowed.dead_opening is None else borrowed.dead_opening
    return np.asarray(np.log(opening - dead))


def _corrected(borrowed: FlowCurve, level: float, own: float, lean: float, middle: float) -> FlowCurve:
    """The curve times exp(level), its covariance plus that of the level and of a tilt about the middle."""
    factor = math.exp(level)
    if borrowed.form == "monotone":
        knots = np.array(borrowed.knot_opening)
        added = own + lean * (_place(borrowed, knots) - middle) ** 2
        flows = np.array(borrowed.knot_flow) * factor
        relative = np.array(borrowed.knot_uncertainty) / np.array(borrowed.knot_flow)
        uncertainty = flows * np.sqrt(relative**2 + added)
        return replace(borrowed, knot_flow=tuple(flows.tolist()), knot_uncertainty=tuple(uncertainty.tolist()))
    covariance = np.array(borrowed.covariance)
    covariance[0, 0] += own + lean * middle**2
    covariance[0, 2] -= lean * middle
    covariance[2, 0] -= lean * middle
    covariance[2, 2] += lean
    return replace(
        borrowed,
        flow_scale=None if borrowed.flow_scale is None else borrowed.flow_scale * factor,
        covariance=tuple(tuple(row) for row in covariance.tolist()),
    )


def _unsteady_below(checks: Catches, smallest: float) -> float | None:
    rows = zip(checks.opening.tolist(), checks.stream, strict=True)
    return max([x for x, stream in rows if stream != "steady" and x < smallest], default=None)


def _findings(level: float) -> list[Finding]:
    what = (
        "The shape of this curve is borrowed: it is provisional, for days, until the material has catches of its own."
    )
    found = [Finding("curve_borrowed", "look", what, "Catch at five openings as soon as there is time.")]
    if abs(level) > math.log(LARGE_FACTOR):
        what = f"The material gives {math.exp(level):.3g} times what the borrowed curve says: hardly a like material."
        advice = "Check the scale's unit and the empty bucket; else borrow from a material that flows alike."
        found.append(Finding("loan_doubtful", "look", what, advice))
    return found
