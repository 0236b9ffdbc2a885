"""Fit a flow curve to one session's catches, or to many sessions at once."""

import math
from collections.abc import Generator, Sequence
from dataclasses import dataclass, field

import numpy as np

from .catches import Catches, UncertaintyModel
from .curve import FlowCurve, fit_variance, flow, inverse, refit_agrees, slope
from .errors import CalibrationError
from .evidence import NOTHING_KNOWN, Circumstances, Evidence
from .flow_fit import Budget, Component, FlowFit, Parameter, Point, PooledOpening, assemble
from .knots import Knots, fit_knots
from .law import DEFAULT_PRIOR, Law, Prior, fit_law
from .pooling import Session
from .pooling import pool as pool_catches
from .solver import Problem, Solution, solve
from .solver_arrays import solve_many
from .steadiness import Balance, measure_balance, steadiness
from .suspicions import find

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
class FitCase:
    """The arguments of one fit of a batch."""

    catches: Catches
    form: str = "auto"
    weighting: str = "uncertainty"
    model: UncertaintyModel = field(default_factory=UncertaintyModel)
    prior: Prior | None = DEFAULT_PRIOR
    circumstances: Circumstances = NOTHING_KNOWN


Steps = Generator[Problem, Solution, FlowFit]


def fit_flow_curve(
    catches: Catches,
    *,
    form: str = "auto",
    weighting: str = "uncertainty",
    model: UncertaintyModel | None = None,
    prior: Prior | None = DEFAULT_PRIOR,
    circumstances: Circumstances = NOTHING_KNOWN,
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
    circumstances : Circumstances, optional
        What findings may rest on beside the catches; the curve does not.

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
    case = FitCase(catches, form, weighting, UncertaintyModel() if model is None else model, prior, circumstances)
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
    knots = None
    if form == "monotone":
        excess = _unexplained(session, law)
        knots = fit_knots(session, weighting=case.weighting, model=case.model, excess=excess)
    fitted, slopes = _at_pools(session, law, knots)
    balance = measure_balance(session, fitted, slopes, case.model)
    evidence = Evidence(
        session,
        steady,
        balance,
        law,
        knots,
        fitted,
        slopes,
        with_prior=prior is not None,
        misfit=misfit,
        model=case.model,
        circumstances=case.circumstances,
    )
    findings = yield from find(evidence)
    return assemble(evidence, form, case.weighting, findings)


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


def _unexplained(session: Session, law: Law | None) -> float:
    """Factor on the knots' variances: without any repeats, what the law missed may as well be scatter."""
    if law is None or session.repeatability.repeats > 0 or math.isinf(session.repeatability.degrees_of_freedom):
        return 1.0
    return max(1.0, law.chi_square / law.degrees_of_freedom)


def _form(asked: str, misfit: bool, openings: int) -> str:
    if asked != "auto":
        return asked
    return "monotone" if misfit and openings >= MONOTONE_OPENINGS else "offset_power"


def _at_pools(session: Session, law: Law | None, knots: Knots | None) -> tuple[Sequence[float], Sequence[float]]:
    """Curve and slope at the pooled openings; where merging drew an end knot inwards, those of that knot."""
    if knots is not None:
        at = np.clip([pool.opening for pool in session.pools], knots.opening[0], knots.opening[-1])
        return knots.flow_at(at).tolist(), knots.slope_at(at).tolist()
    return (law.fitted, law.slope) if law is not None else ((), ())
