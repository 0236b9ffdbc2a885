"""Fit a flow curve to one session's catches, or to many sessions at once."""

import math
from collections.abc import Generator, Sequence
from dataclasses import dataclass, field

import numpy as np

from .catches import ENOUGH_REPEATS, Catches, UncertaintyModel
from .curve import ALGORITHMS, FlowCurve, fit_variance, flow, inverse, refit_agrees, slope
from .errors import CalibrationError
from .findings import Finding
from .knots import Knots, fit_knots
from .law import DEFAULT_PRIOR, Law, Prior, fit_law, flow_at
from .pooling import Session
from .pooling import pool as pool_catches
from .solver import Problem, Solution, solve, solve_many
from .steadiness import Balance, measure_balance, steadiness
from .suspicions import Evidence, find

__all__ = [
    "DEFAULT_PRIOR",
    "FORMS",
    "WEIGHTINGS",
    "Balance",
    "Budget",
    "Component",
    "FitCase",
    "FlowCurve",
    "FlowFit",
    "Parameter",
    "Point",
    "PooledOpening",
    "Prior",
    "fit_flow_curve",
    "fit_flow_curves",
    "fit_variance",
    "flow",
    "inverse",
    "refit_agrees",
    "slope",
]

FORMS = ("auto", "offset_power", "power", "monotone")
WEIGHTINGS = ("uncertainty", "equal")

TESTABLE_OPENINGS = 4
"""Distinct openings from which ``auto`` needs no prior."""

MONOTONE_OPENINGS = 5
"""Distinct openings from which ``auto`` may leave the law for the points themselves."""

LACK_OF_FIT_LEVEL = 0.01
"""Probability below which ``auto`` takes a lack of fit as shown."""

LACK_OF_FIT_SIZE = 0.03
"""Relative miss somewhere, without which a significant lack of fit does not matter."""


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
    """A fitted parameter and its standard uncertainty."""

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


@dataclass(frozen=True, slots=True)
class FitCase:
    """The arguments of one fit of a batch."""

    catches: Catches
    form: str = "auto"
    weighting: str = "uncertainty"
    model: UncertaintyModel = field(default_factory=UncertaintyModel)
    prior: Prior | None = DEFAULT_PRIOR


Steps = Generator[Problem, Solution, FlowFit]


def fit_flow_curve(
    catches: Catches,
    *,
    form: str = "auto",
    weighting: str = "uncertainty",
    model: UncertaintyModel | None = None,
    prior: Prior | None = DEFAULT_PRIOR,
) -> FlowFit:
    """Fit flow over opening to one session's catches.

    Parameters
    ----------
    catches : Catches
    form : str
        ``auto``, ``offset_power``, ``power`` or ``monotone``. ``auto`` takes offset power; with two or
        three openings helped by the prior; with five or more it takes monotone where the law misses
        the flows significantly (1 %) and by more than 3 %.
    weighting : str
        ``uncertainty``, or ``equal`` for ordinary least squares on the flows of all used catches.
    model : UncertaintyModel, optional
        Default: all of it assumed.
    prior : Prior or None
        Used by ``auto`` alone, and only below four openings.

    Returns
    -------
    FlowFit

    Raises
    ------
    CalibrationError
        Where there is no curve to compute: too few openings, or a flow that falls beyond doubt.

    Examples
    --------
    >>> from catchpan_service.calibration.catches import catches
    >>> made_up = catches(opening=[0.2, 0.4, 0.6, 0.8], mass=[1.0, 3.0, 3.0, 3.0], duration=[40, 35, 18, 11])
    >>> fit_flow_curve(made_up).curve.form
    'offset_power'
    """
    case = FitCase(catches, form, weighting, UncertaintyModel() if model is None else model, prior)
    steps = _fit(case)
    try:
        problem = next(steps)
        while True:
            problem = steps.send(solve(problem))
    except StopIteration as end:
        return _fit_of(end)


def fit_flow_curves(cases: Sequence[FitCase]) -> list[FlowFit | CalibrationError]:
    """Fit many cases; each answer is a fit or that case's own error, in order.

    The cases go through the steps of :func:`fit_flow_curve` side by side, and whatever they need
    solved at the same time is solved in one array.
    """
    answers: list[FlowFit | CalibrationError | None] = [None] * len(cases)
    waiting: list[tuple[int, Steps, Problem]] = []
    for index, case in enumerate(cases):
        _advance(index, _fit(case), None, answers, waiting)
    while waiting:
        running, waiting = waiting, []
        solutions = solve_many([problem for _, _, problem in running])
        for (index, steps, _), solution in zip(running, solutions, strict=True):
            _advance(index, steps, solution, answers, waiting)
    return [answer for answer in answers if answer is not None]


def _advance(
    index: int,
    steps: Steps,
    solution: Solution | None,
    answers: list[FlowFit | CalibrationError | None],
    waiting: list[tuple[int, Steps, Problem]],
) -> None:
    try:
        waiting.append((index, steps, next(steps) if solution is None else steps.send(solution)))
    except StopIteration as end:
        answers[index] = _fit_of(end)
    except CalibrationError as error:
        answers[index] = error


def _fit_of(end: StopIteration) -> FlowFit:
    fit = end.value
    if not isinstance(fit, FlowFit):
        raise TypeError(f"a fit ended with {fit!r}")
    return fit


def _fit(case: FitCase) -> Steps:
    _check_choice("form", case.form, FORMS)
    _check_choice("weighting", case.weighting, WEIGHTINGS)
    session = pool_catches(case.catches, case.model)
    steady = steadiness(session)
    law, prior, misfit = None, None, False
    if case.form != "monotone":
        prior = case.prior if case.form == "auto" and len(session.pools) < TESTABLE_OPENINGS else None
        named = "offset_power" if case.form == "auto" else case.form
        law = yield from fit_law(session, form=named, weighting=case.weighting, model=case.model, prior=prior)
        misfit = _misses(law, session)
    form = _form(case.form, misfit, len(session.pools))
    knots = fit_knots(session, weighting=case.weighting, model=case.model) if form == "monotone" else None
    fitted, slopes = _at_pools(session, law, knots)
    balance = measure_balance(session, fitted, slopes, case.model)
    evidence = Evidence(session, steady, balance, law, knots, fitted, slopes, prior is not None, misfit, case.model)
    findings = yield from find(evidence)
    return _assemble(case, evidence, form, findings)


def _check_choice(name: str, given: str, allowed: Sequence[str]) -> None:
    if given not in allowed:
        choices = ", ".join(allowed)
        raise CalibrationError(
            f"bad_{name}",
            f"{name} is {given!r}; allowed is {choices}",
            where=(name,),
            given=given,
            allowed=choices,
        )


def _misses(law: Law, session: Session) -> bool:
    if law.lack_of_fit_p is None or law.lack_of_fit_p >= LACK_OF_FIT_LEVEL:
        return False
    pairs = zip(session.pools, law.fitted, strict=True)
    return max([abs(pool.flow / fitted - 1.0) for pool, fitted in pairs]) > LACK_OF_FIT_SIZE


def _form(asked: str, misfit: bool, openings: int) -> str:
    if asked != "auto":
        return asked
    return "monotone" if misfit and openings >= MONOTONE_OPENINGS else "offset_power"


def _assemble(case: FitCase, evidence: Evidence, form: str, findings: tuple[Finding, ...]) -> FlowFit:
    session, steady, fitted = evidence.session, evidence.steady, evidence.fitted
    law = evidence.law if evidence.knots is None else None
    points, squares = _points(session, fitted)
    used = sum([point.used for point in points])
    parameters, correlation = _parameters(law, form)
    curve = _curve(case, evidence, form, law)
    free = len(parameters) if law is not None else len(curve.knot_opening)
    low, high = curve.opening_range
    return FlowFit(
        curve=curve,
        points=points,
        openings=_pooled(session, fitted, evidence.slopes, case.model.opening_uncertainty),
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
        budget=_budget(session, case.model),
        balance=evidence.balance,
        findings=findings,
    )


def _at_pools(session: Session, law: Law | None, knots: Knots | None) -> tuple[Sequence[float], Sequence[float]]:
    """Curve and slope at the pooled openings; where merging drew an end knot inwards, those of that knot."""
    if knots is not None:
        at = np.clip([pool.opening for pool in session.pools], knots.opening[0], knots.opening[-1])
        return knots.flow_at(at).tolist(), knots.slope_at(at).tolist()
    return (law.fitted, law.slope) if law is not None else ((), ())


def _points(session: Session, fitted: Sequence[float]) -> tuple[tuple[Point, ...], float]:
    residuals: dict[int, float] = {}
    for pool, value in zip(session.pools, fitted, strict=True):
        for side in pool.sides:
            part = value * side.mean / pool.flow
            for index in side.members:
                residuals[index] = session.flow[index] - part
    rows = zip(session.catches.opening.tolist(), session.flow, session.relative, session.why_unused, strict=True)
    points = tuple(
        [
            Point(opening, flow, relative * flow, residuals.get(index), reason is None, reason)
            for index, (opening, flow, relative, reason) in enumerate(rows)
        ]
    )
    return points, sum([residual * residual for residual in residuals.values()])


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
    deviation = [math.sqrt(law.covariance[i][i]) for i in range(3)]
    parameters = {"flow_scale": Parameter(law.flow_scale, law.flow_scale * deviation[0])}
    chosen = [0, 2] if form == "power" else [0, 1, 2]
    if form != "power":
        parameters["dead_opening"] = Parameter(law.dead_opening, deviation[1])
    parameters["exponent"] = Parameter(law.exponent, deviation[2])
    correlation = [[_correlation(law, deviation, i, j) for j in chosen] for i in chosen]
    return parameters, tuple([tuple(row) for row in correlation])


def _correlation(law: Law, deviation: Sequence[float], row: int, column: int) -> float:
    if row == column:
        return 1.0
    size = deviation[row] * deviation[column]
    return min(max(law.covariance[row][column] / size, -1.0), 1.0) if size > 0.0 else 0.0


def _curve(case: FitCase, evidence: Evidence, form: str, law: Law | None) -> FlowCurve:
    session, steady, knots, balance = evidence.session, evidence.steady, evidence.knots, evidence.balance
    used = tuple([pool.opening for pool in session.pools])
    at = knots.opening if knots else used
    spread = session.repeatability.degrees_of_freedom
    return FlowCurve(
        form=form,
        algorithm=ALGORITHMS[form],
        weighting=case.weighting,
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
        opening_uncertainty=case.model.opening_uncertainty,
        shared_uncertainty=case.model.shared_uncertainty,
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
    timing = {"scale_readability", "timer_uncertainty"} & set(model.assumed)
    return Budget(
        repeatability=Component(spread.value, basis, spread.degrees_of_freedom),
        type_b=Component(worst, "assumed" if timing else "given", math.inf),
        shared=Component(model.shared_uncertainty, _basis(model, "shared_uncertainty"), math.inf),
        opening=Component(model.opening_uncertainty, _basis(model, "opening_uncertainty"), math.inf),
    )


def _basis(model: UncertaintyModel, name: str) -> str:
    return "assumed" if name in model.assumed else "given"
