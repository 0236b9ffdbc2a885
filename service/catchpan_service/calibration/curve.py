"""A fitted flow curve as it travels, and its use: flow, slope, inverse and how sure a flow is."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from . import forms
from .catches import FloatArray
from .errors import CalibrationError

ALGORITHMS = {"offset_power": "offset_power/1", "power": "power/1", "monotone": "monotone/1"}
"""The name under which each form's present way of fitting goes into a curve."""

FURTHEST = 1e6
"""No opening that is asked for lies further out [share of range]: a gate opens to 1."""

REFIT_TOLERANCE = 1e-6
"""Relative difference between the flows of two curves that count as the same fit."""


@dataclass(frozen=True)
class FlowCurve:
    """Flow over opening, with all that a later computation needs.

    Attributes
    ----------
    form : str
        ``offset_power``, ``power`` or ``monotone``.
    algorithm : str
        Form and version of the way of fitting, such as ``offset_power/1``.
    weighting : str
        ``uncertainty`` or ``equal``.
    gates : str
        Which gates the curve describes: ``both``, ``left`` or ``right``.
    left_share : float or None
        Share of the flow that falls from the left gate; None if it was never measured.
    flow_scale, dead_opening, exponent : float or None
        a [kg/s], c [share of range] and p of q = a (x - c)^p; None for ``monotone``.
    knot_opening : tuple of float
        The used openings; for ``monotone`` the knots, which are those openings but for merged ones.
    knot_flow, knot_uncertainty : tuple of float
        Flow and its standard uncertainty at the knots [kg/s]; empty for the parametric forms.
    covariance : tuple of tuple of float
        Of (ln a, c, p), 3 x 3. In these the logarithm of the flow at any opening has the gradient
        (1, -p/(x - c), ln(x - c)), free of the unit of flow. Empty for ``monotone``.
    degrees_of_freedom : float
        Of the covariance or the knots' uncertainties; infinite where the spread was given.
    opening_range : tuple of float
        Smallest and largest opening at which the curve rests on catches.
    smallest_steady_opening, largest_unsteady_opening : float or None
        The smallest used opening whose catches were all steady; the largest below it with an unsteady one.
    opening_uncertainty : float
        Standard uncertainty of an opening where the curve is used [share of range].
    shared_uncertainty : float
        Relative standard uncertainty common to the whole curve.
    """

    form: str
    algorithm: str
    weighting: str
    gates: str
    left_share: float | None
    flow_scale: float | None
    dead_opening: float | None
    exponent: float | None
    knot_opening: tuple[float, ...]
    knot_flow: tuple[float, ...]
    knot_uncertainty: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    degrees_of_freedom: float
    opening_range: tuple[float, float]
    smallest_steady_opening: float | None
    largest_unsteady_opening: float | None
    opening_uncertainty: float
    shared_uncertainty: float


def flow(curve: FlowCurve, opening: ArrayLike) -> FloatArray:
    """Flow at openings [kg/s]: 0 at and below the dead opening; NaN outside the knots of ``monotone``."""
    at = _openings(opening)
    if curve.form == "monotone":
        return forms.monotone(at.reshape(-1), *_knots(curve))[0].reshape(at.shape)
    return forms.offset_power(at, **_law(curve))


def slope(curve: FlowCurve, opening: ArrayLike) -> FloatArray:
    """Derivative of the flow with respect to the opening [kg/s per range], where :func:`flow` has a value."""
    at = _openings(opening)
    if curve.form == "monotone":
        return forms.monotone(at.reshape(-1), *_knots(curve))[1].reshape(at.shape)
    return forms.offset_power_slope(at, **_law(curve))


def log_slope(curve: FlowCurve, opening: ArrayLike) -> FloatArray:
    """Relative change of the flow per range of opening, (dq/dx)/q; NaN where the curve has no flow."""
    at = _openings(opening)
    if curve.form == "monotone":
        return slope(curve, at) / flow(curve, at)
    law = _law(curve)
    above = at - law["dead_opening"]
    return np.asarray(law["exponent"] / np.where(above > 0.0, above, np.nan))


def inverse(curve: FlowCurve, flow: ArrayLike) -> FloatArray:
    """Opening that gives a flow [kg/s]; NaN where none does.

    The parametric forms answer any flow above 0, also with openings above 1: it is for the caller to
    tell that the gate does not open that far.
    """
    wanted = np.asarray(flow, dtype=np.float64)
    if curve.form == "monotone":
        return forms.monotone_inverse(wanted.reshape(-1), *_knots(curve)).reshape(wanted.shape)
    return forms.offset_power_inverse(wanted, **_law(curve))


def fit_variance(curve: FlowCurve, opening: ArrayLike) -> FloatArray:
    """Relative variance of the fitted flow at openings; without the shared term and the opening's own.

    First-order propagation (GUM, 5.2): of the parameters' covariance, or of the knots' flows through
    the cubic between them. NaN where the curve has no flow.
    """
    at = _openings(opening)
    if curve.form == "monotone":
        return _knot_variance(curve, at.reshape(-1)).reshape(at.shape)
    law = _law(curve)
    gradient = np.stack(forms.offset_power_log_gradient(at, dead_opening=law["dead_opening"], exponent=law["exponent"]))
    return np.asarray(np.einsum("i...,ij,j...->...", gradient, np.array(curve.covariance), gradient))


def log_covariance(curve: FlowCurve, opening: ArrayLike) -> FloatArray:
    """Covariance between the logarithms of the fitted flows at openings, shape (n, n); see :func:`fit_variance`."""
    at = _openings(opening).reshape(-1)
    if curve.form == "monotone":
        effect = _knot_effects(curve, at)
        return np.asarray(effect.T @ effect)
    law = _law(curve)
    gradient = np.stack(forms.offset_power_log_gradient(at, dead_opening=law["dead_opening"], exponent=law["exponent"]))
    return np.asarray(gradient.T @ np.array(curve.covariance) @ gradient)


def _openings(opening: ArrayLike) -> FloatArray:
    """Openings as an array; NaN is none, and has none of what is asked."""
    at = np.asarray(opening, dtype=np.float64)
    far = np.abs(at) > FURTHEST
    if far.any():
        given = float(at[far][0])
        allowed = f"within {FURTHEST:g} of 0; a gate opens from 0 to 1"
        message = f"opening is {given!r}; allowed is {allowed}"
        raise CalibrationError("bad_opening", message, where=("opening",), given=given, allowed=allowed)
    return at


def _knot_variance(curve: FlowCurve, at: FloatArray) -> FloatArray:
    return np.asarray(np.sum(_knot_effects(curve, at) ** 2, axis=0))


def _knot_effects(curve: FlowCurve, at: FloatArray) -> FloatArray:
    """Relative change of the flows by one standard uncertainty of each knot, (knots, openings)."""
    knots, values, slopes = _knots(curve)
    flows = forms.monotone(at, knots, values, slopes)[0]
    uncertainties = np.array(curve.knot_uncertainty)
    steps = np.diag(1e-4 * uncertainties)
    moved = [
        forms.monotone(at, knots, trial, forms.knot_slopes(knots, trial))[0]
        for trial in (*(values + steps), *(values - steps))
    ]
    size = len(knots)
    effect = (np.array(moved[:size]) - np.array(moved[size:])) / 2e-4
    return np.asarray(effect / flows)


def _law(curve: FlowCurve) -> dict[str, FloatArray]:
    return {
        "flow_scale": np.asarray(curve.flow_scale, dtype=np.float64),
        "dead_opening": np.asarray(curve.dead_opening, dtype=np.float64),
        "exponent": np.asarray(curve.exponent, dtype=np.float64),
    }


def _knots(curve: FlowCurve) -> tuple[FloatArray, FloatArray, FloatArray]:
    knots, values = np.array(curve.knot_opening), np.array(curve.knot_flow)
    return knots, values, forms.knot_slopes(knots, values)


def refit_agrees(curve_a: FlowCurve, curve_b: FlowCurve) -> bool:
    """Tell whether two curves are the same fit: form, weighting and gates alike, flows within 1e-6.

    Flows are compared at the used openings of both and at both ends of their ranges, since parameters
    may differ where they are poorly determined and yet describe one curve.
    """
    names = ("form", "weighting", "gates")
    if any(getattr(curve_a, name) != getattr(curve_b, name) for name in names):
        return False
    openings = {*curve_a.knot_opening, *curve_a.opening_range, *curve_b.knot_opening, *curve_b.opening_range}
    at = np.array(sorted(openings))
    return bool(np.allclose(flow(curve_a, at), flow(curve_b, at), rtol=REFIT_TOLERANCE, atol=0.0))
