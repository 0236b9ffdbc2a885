"""A fit and how it came about: points, parameters, uncertainty budget."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .catches import ENOUGH_REPEATS, UncertaintyModel
from .curve import ALGORITHMS, FlowCurve
from .evidence import Evidence
from .findings import Finding
from .law import Law, flow_at
from .pooling import Session
from .steadiness import Balance


@dataclass(frozen=True, slots=True)
class Point:
    """One catch as the fit saw it.

    Attributes
    ----------
    opening : float
    flow, standard_uncertainty : float
        [kg/s]; the uncertainty is the catch's own: repeatability, or readability and timer.
    residual : float or None
        Measured minus curve [kg/s], a single gate's catch against that gate's part; None if not used.
    used : bool
    why_unused : str or None
        ``pulsing``, ``stopped``, ``balance_only`` or ``other_gate_missing``.
    """

    opening: float
    flow: float
    standard_uncertainty: float
    residual: float | None
    used: bool
    why_unused: str | None


@dataclass(frozen=True, slots=True)
class PooledOpening:
    """All used catches at one opening.

    Attributes
    ----------
    opening : float
    catches : int
    flow, standard_uncertainty, residual : float
        [kg/s]; the uncertainty includes the opening's own, without the shared term.
    """

    opening: float
    catches: int
    flow: float
    standard_uncertainty: float
    residual: float


@dataclass(frozen=True, slots=True)
class Parameter:
    """A fitted parameter and its standard uncertainty, to first order.

    Where few catches scatter widely value -/+ 1.96 u is off by up to a fifth of the half width; at a bound u says how
    far inside the parameter may lie, and nothing else (``python -m tests.studies monte_carlo``).
    """

    value: float
    standard_uncertainty: float


@dataclass(frozen=True, slots=True)
class Component:
    """One component of uncertainty.

    Attributes
    ----------
    value : float
        Relative; of ``opening`` as a share of the gate's range.
    basis : str
        ``estimated``, ``partly_assumed``, ``assumed`` or ``given``.
    degrees_of_freedom : float
        Infinite where the value was not estimated.
    """

    value: float
    basis: str
    degrees_of_freedom: float


@dataclass(frozen=True, slots=True)
class Budget:
    """Where the uncertainty comes from. ``type_b`` (readability, timer) is that of the worst used catch."""

    repeatability: Component
    type_b: Component
    shared: Component
    opening: Component


@dataclass(frozen=True, slots=True)
class FlowFit:
    """A curve and how it came about.

    Attributes
    ----------
    curve : FlowCurve
    points : tuple of Point
        One for each catch, in order.
    openings : tuple of PooledOpening
        Ascending.
    parameters : dict of str to Parameter
        ``flow_scale`` [kg/s], ``dead_opening``, ``exponent`` as far as the form has and fits them.
    correlation : tuple of tuple of float
        Between the parameters, in their order.
    chi_square : float
    degrees_of_freedom : int
        Points (and terms of a prior) less parameters; 0 for ``monotone``.
    residual_sum_of_squares : float
        Of the used catches [kg²/s²].
    residual_standard_deviation : float or None
        [kg/s]; None without a catch more than parameters.
    lack_of_fit_p : float or None
        Probability of missing the pooled flows by this much if the form were true; None if not testable.
    at_bound : tuple of str
        Parameters that ended at a bound.
    converged : bool
    prior_influence : tuple of float or None
        With a prior: curve/flow - 1 at each used opening, since without it the curve would meet them all.
    opening_range, flow_range : tuple of float
    smallest_steady_opening, largest_unsteady_opening : float or None
    budget : Budget
    balance : Balance or None
        Where left and right were caught at one opening.
    findings : tuple of Finding
    """

    curve: FlowCurve
    points: tuple[Point, ...]
    openings: tuple[PooledOpening, ...]
    parameters: dict[str, Parameter]
    correlation: tuple[tuple[float, ...], ...]
    chi_square: float
    degrees_of_freedom: int
    residual_sum_of_squares: float
    residual_standard_deviation: float | None
    lack_of_fit_p: float | None
    at_bound: tuple[str, ...]
    converged: bool
    prior_influence: tuple[float, ...] | None
    opening_range: tuple[float, float]
    flow_range: tuple[float, float]
    smallest_steady_opening: float | None
    largest_unsteady_opening: float | None
    budget: Budget
    balance: Balance | None
    findings: tuple[Finding, ...]


def assemble(evidence: Evidence, form: str, weighting: str, findings: tuple[Finding, ...]) -> FlowFit:
    """Put a fit together from what it rests on."""
    session, steady, fitted = evidence.session, evidence.steady, evidence.fitted
    law = evidence.law if evidence.knots is None else None
    points, squares = _points(session, fitted)
    used = sum([point.used for point in points])
    parameters, correlation = _parameters(law, form)
    curve = _curve(evidence, form, weighting, law)
    free = len(parameters) if law is not None else len(curve.knot_opening)
    low, high = curve.opening_range
    return FlowFit(
        curve=curve,
        points=points,
        openings=_pooled(session, fitted, evidence.slopes, evidence.model.opening_uncertainty),
        parameters=parameters,
        correlation=correlation,
        chi_square=law.chi_square if law else 0.0,
        degrees_of_freedom=law.degrees_of_freedom if law else 0,
        residual_sum_of_squares=squares,
        residual_standard_deviation=math.sqrt(squares / (used - free)) if used > free else None,
        lack_of_fit_p=law.lack_of_fit_p if law else None,
        at_bound=law.at_bound if law else (),
        converged=law.converged if law else True,
        prior_influence=_influence(session, fitted) if evidence.with_prior else None,
        opening_range=(low, high),
        flow_range=(flow_at(law, low), flow_at(law, high)) if law else (curve.knot_flow[0], curve.knot_flow[-1]),
        smallest_steady_opening=steady.smallest_steady_opening,
        largest_unsteady_opening=steady.largest_unsteady_opening,
        budget=_budget(session, evidence.model),
        balance=evidence.balance,
        findings=findings,
    )


def _points(session: Session, fitted: Sequence[float]) -> tuple[tuple[Point, ...], float]:
    residuals: list[float | None] = [None] * len(session.flow)
    squares = 0.0
    for pool, value in zip(session.pools, fitted, strict=True):
        for side in pool.sides:
            part = value * side.mean / pool.flow
            for index in side.members:
                residual = session.flow[index] - part
                residuals[index] = residual
                squares += residual * residual
    rows = zip(
        session.catches.opening.tolist(),
        session.flow,
        session.relative,
        residuals,
        session.why_unused,
        strict=True,
    )
    points = [
        Point(opening, flow, relative * flow, residual, reason is None, reason)
        for opening, flow, relative, residual, reason in rows
    ]
    return tuple(points), squares


def _pooled(
    session: Session, fitted: Sequence[float], slopes: Sequence[float], opening_uncertainty: float
) -> tuple[PooledOpening, ...]:
    return tuple(
        [
            PooledOpening(
                pool.opening,
                sum([len(side.members) for side in pool.sides]),
                pool.flow,
                math.hypot(pool.standard_deviation, slope * opening_uncertainty),
                pool.flow - value,
            )
            for pool, value, slope in zip(session.pools, fitted, slopes, strict=True)
        ]
    )


def _influence(session: Session, fitted: Sequence[float]) -> tuple[float, ...]:
    return tuple([value / pool.flow - 1.0 for pool, value in zip(session.pools, fitted, strict=True)])


def _parameters(law: Law | None, form: str) -> tuple[dict[str, Parameter], tuple[tuple[float, ...], ...]]:
    if law is None:
        return {}, ()
    (v_aa, v_ac, v_ap), (_, v_cc, v_cp), (_, _, v_pp) = law.covariance
    u_a, u_c, u_p = math.sqrt(v_aa), math.sqrt(v_cc), math.sqrt(v_pp)
    scale, exponent = Parameter(law.flow_scale, law.flow_scale * u_a), Parameter(law.exponent, u_p)
    ap = _correlation(v_ap, u_a * u_p)
    if form == "power":
        return {"flow_scale": scale, "exponent": exponent}, ((1.0, ap), (ap, 1.0))
    ac, cp = _correlation(v_ac, u_a * u_c), _correlation(v_cp, u_c * u_p)
    parameters = {
        "flow_scale": scale,
        "dead_opening": Parameter(law.dead_opening, u_c),
        "exponent": exponent,
    }
    return parameters, ((1.0, ac, ap), (ac, 1.0, cp), (ap, cp, 1.0))


def _correlation(covariance: float, size: float) -> float:
    return min(max(covariance / size, -1.0), 1.0) if size > 0.0 else 0.0


def _curve(evidence: Evidence, form: str, weighting: str, law: Law | None) -> FlowCurve:
    session, steady, knots, balance = evidence.session, evidence.steady, evidence.knots, evidence.balance
    used = tuple([pool.opening for pool in session.pools])
    at = knots.opening if knots else used
    spread = session.repeatability.degrees_of_freedom
    return FlowCurve(
        form=form,
        algorithm=ALGORITHMS[form],
        weighting=weighting,
        gates=session.gates,
        left_share=balance.left_share if balance else None,
        flow_scale=law.flow_scale if law else None,
        dead_opening=law.dead_opening if law else None,
        exponent=law.exponent if law else None,
        knot_opening=at,
        knot_flow=knots.flow if knots else (),
        knot_uncertainty=knots.uncertainty if knots else (),
        covariance=law.covariance if law else (),
        degrees_of_freedom=law.covariance_freedom if law else spread,
        opening_range=(at[0], at[-1]),
        smallest_steady_opening=steady.smallest_steady_opening,
        largest_unsteady_opening=steady.largest_unsteady_opening,
        opening_uncertainty=evidence.model.opening_uncertainty,
        shared_uncertainty=evidence.model.shared_uncertainty,
    )


def _budget(session: Session, model: UncertaintyModel) -> Budget:
    spread = session.repeatability
    if model.repeatability is not None:
        basis = "given"
    elif spread.repeats == 0:
        basis = "assumed"
    else:
        basis = "estimated" if spread.repeats >= ENOUGH_REPEATS else "partly_assumed"
    pairs = zip(session.type_b, session.why_unused, strict=True)
    worst = max([known for known, reason in pairs if reason is None])
    guessed = "scale_readability" in model.assumed or "timer_uncertainty" in model.assumed
    return Budget(
        repeatability=Component(spread.value, basis, spread.degrees_of_freedom),
        type_b=Component(worst, "assumed" if guessed else "given", math.inf),
        shared=Component(model.shared_uncertainty, _basis(model, "shared_uncertainty"), math.inf),
        opening=Component(model.opening_uncertainty, _basis(model, "opening_uncertainty"), math.inf),
    )


def _basis(model: UncertaintyModel, name: str) -> str:
    return "assumed" if name in model.assumed else "given"
