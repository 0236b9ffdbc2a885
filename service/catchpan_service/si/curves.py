"""``compute/flow-curve`` between the wire and the mathematics."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from catchpan.contract.curves import (
    Balance,
    Basis,
    Budget,
    Catch,
    Component,
    Curve,
    Fit,
    FlowCurveAnswer,
    FlowCurveRequest,
    FlowParameter,
    FlowRange,
    Form,
    NumberParameter,
    OpeningRange,
    Parameters,
    Point,
    PooledOpening,
    WhyUnused,
)
from catchpan.quantities import Flow, Flows, Ratio, System, from_si
from catchpan_service.calibration import flow_curve as mathematics
from catchpan_service.calibration.catches import Catches, UncertaintyModel, catches, uncertainty_model
from catchpan_service.calibration.curve import FlowCurve
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.evidence import Circumstances
from catchpan_service.calibration.flow_curve import (
    DEFAULT_PRIOR,
    FitCase,
    FlowFit,
    Prior,
    fit_flow_curve,
    fit_flow_curves,
)
from catchpan_service.calibration.received import checked
from catchpan_service.si.telling import Telling, findings, rounded, scalar


def solve(request: FlowCurveRequest, system: System) -> FlowCurveAnswer:
    """The flow curve of some catches, told in a system of units; CalibrationError where there is none."""
    return answer(fit(request), Telling(system))


def solve_many(requests: Sequence[FlowCurveRequest], system: System) -> list[FlowCurveAnswer | CalibrationError]:
    """The same for many sets of catches at once, each an answer or its own error."""
    cases: list[FitCase | CalibrationError] = [_attempt(request) for request in requests]
    fits = iter(fit_flow_curves([case for case in cases if isinstance(case, FitCase)]))
    solved = [case if isinstance(case, CalibrationError) else next(fits) for case in cases]
    tell = Telling(system)
    return [one if isinstance(one, CalibrationError) else answer(one, tell) for one in solved]


def fit(request: FlowCurveRequest) -> FlowFit:
    """The fit of some catches, in SI."""
    case = _case(request)
    return fit_flow_curve(
        case.catches,
        form=case.form,
        weighting=case.weighting,
        model=case.model,
        prior=case.prior,
        circumstances=case.circumstances,
    )


def _attempt(request: FlowCurveRequest) -> FitCase | CalibrationError:
    try:
        return _case(request)
    except CalibrationError as error:
        return error


def _case(request: FlowCurveRequest) -> FitCase:
    own = request.prior
    return FitCase(
        session_of(request.catches),
        request.form,
        request.weighting,
        model_of(request),
        DEFAULT_PRIOR if own is None else Prior(**{name: getattr(own, name) for name in own.__struct_fields__}),
        _circumstances(request),
    )


def _circumstances(request: FlowCurveRequest) -> Circumstances:
    if (request.bag_opened is None) != (request.caught is None):
        name = "caught" if request.caught is None else "bag_opened"
        allowed = "bag_opened and caught together, or neither"
        message = "the age of the bag needs both times"
        raise CalibrationError("pair_incomplete", message, where=(name,), allowed=allowed)
    age = None
    if request.bag_opened is not None and request.caught is not None:
        age = (request.caught - request.bag_opened).total_seconds()
    lots = tuple(one.lot for one in request.catches)
    return Circumstances(_reference(request.reference), age, lots if any(lots) else ())


def _reference(curve: Curve | None) -> FlowCurve | None:
    if curve is None:
        return None
    try:
        return received(curve)
    except CalibrationError as error:
        where = ("reference", *error.where[1:])
        raise CalibrationError(error.code, str(error), where=where, given=error.given, allowed=error.allowed) from error


def model_of(request: Any) -> UncertaintyModel:
    """What a request with catches says of their errors."""
    return uncertainty_model(
        scale_readability=scalar(request.scale_readability),
        timer_uncertainty=scalar(request.timer_uncertainty),
        opening_uncertainty=scalar(request.opening_uncertainty),
        shared_uncertainty=scalar(request.shared_uncertainty),
        repeatability=scalar(request.repeatability),
    )


def session_of(given: Sequence[Catch]) -> Catches:
    """The catches of a request, checked, in SI."""
    return catches(
        opening=[one.opening.si for one in given],
        mass=[net_mass(one, ("catches", index), index) for index, one in enumerate(given)],
        duration=[one.duration.si for one in given],
        stream=[one.stream for one in given],
        gates=[one.gates for one in given],
        weighings=[1.0 if one.mass is not None else 2.0 for one in given],
    )


def net_mass(catch: Catch, place: tuple[str | int, ...], index: int) -> float:
    """Net mass [kg] of a catch at a place of a request; CalibrationError where it is unclear or below the tare."""
    if (catch.mass is None) == (catch.gross is None) or (catch.gross is None) != (catch.tare is None):
        message = f"catch {index + 1} needs either mass, or gross and tare"
        allowed = "mass (net), or gross and tare"
        raise CalibrationError("mass_unclear", message, where=place, allowed=allowed)
    if catch.mass is not None:
        return catch.mass.si
    gross, tare = catch.gross.si, catch.tare.si  # type: ignore[union-attr]
    if tare < 0 or gross < tare:
        message = f"catch {index + 1} weighs less than its empty bucket"
        where, allowed = (*place, "gross"), "tare 0 or above, gross not below tare"
        raise CalibrationError("gross_below_tare", message, where=where, given=gross, allowed=allowed)
    return gross - tare


def published(curve: FlowCurve) -> Curve:
    """A curve as it travels: fixed units, 12 significant digits."""
    monotone = curve.form == "monotone"
    return Curve(
        form=Form(curve.form),
        algorithm=curve.algorithm,
        weighting=curve.weighting,  # type: ignore[arg-type]
        gates=curve.gates,  # type: ignore[arg-type]
        left_share=_maybe(curve.left_share),
        flow_scale=None if curve.flow_scale is None else Flow(_grams(curve.flow_scale), "g/s"),
        dead_opening=_maybe(curve.dead_opening),
        exponent=_maybe(curve.exponent),
        knot_openings=[rounded(knot) for knot in curve.knot_opening],
        knot_flows=Flows([_grams(one) for one in curve.knot_flow], "g/s") if monotone else None,
        knot_uncertainties=Flows([_grams(one) for one in curve.knot_uncertainty], "g/s") if monotone else None,
        covariance=[[rounded(value) for value in row] for row in curve.covariance],
        degrees_of_freedom=_maybe(curve.degrees_of_freedom),
        smallest_opening=rounded(curve.opening_range[0]),
        largest_opening=rounded(curve.opening_range[1]),
        smallest_steady_opening=_maybe(curve.smallest_steady_opening),
        largest_unsteady_opening=_maybe(curve.largest_unsteady_opening),
        opening_uncertainty=rounded(curve.opening_uncertainty),
        shared_uncertainty=rounded(curve.shared_uncertainty),
    )


def received(curve: Curve) -> FlowCurve:
    """A curve that was sent, in SI; CalibrationError where no fit could have made it."""
    flows = curve.knot_flows.values if curve.knot_flows else []
    uncertainties = curve.knot_uncertainties.values if curve.knot_uncertainties else []
    gram = float(Flow.factors["g/s"])
    units = [part.unit for part in (curve.knot_flows, curve.knot_uncertainties, curve.flow_scale) if part is not None]
    if any(unit != "g/s" for unit in units):
        message = "a curve tells its flows in g/s"
        raise CalibrationError("bad_curve", message, where=("curve",), given=units, allowed="g/s")
    return checked(
        FlowCurve(
            form=curve.form.value,
            algorithm=curve.algorithm,
            weighting=curve.weighting,
            gates=curve.gates,
            left_share=curve.left_share,
            flow_scale=None if curve.flow_scale is None else curve.flow_scale.value * gram,
            dead_opening=curve.dead_opening,
            exponent=curve.exponent,
            knot_opening=tuple(curve.knot_openings),
            knot_flow=tuple(value * gram for value in flows),
            knot_uncertainty=tuple(value * gram for value in uncertainties),
            covariance=tuple(tuple(row) for row in curve.covariance),
            degrees_of_freedom=math.inf if curve.degrees_of_freedom is None else curve.degrees_of_freedom,
            opening_range=(curve.smallest_opening, curve.largest_opening),
            smallest_steady_opening=curve.smallest_steady_opening,
            largest_unsteady_opening=curve.largest_unsteady_opening,
            opening_uncertainty=curve.opening_uncertainty,
            shared_uncertainty=curve.shared_uncertainty,
        )
    )


def _maybe(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else rounded(value)


def _grams(kilograms: float) -> float:
    return rounded(from_si(Flow, kilograms, "g/s"))


def answer(found: FlowFit, tell: Telling) -> FlowCurveAnswer:
    """A fit, told in a system of units."""
    return FlowCurveAnswer(
        curve=published(found.curve),
        points=[_point(one, tell) for one in found.points],
        openings=_pooled(found, tell),
        fit=_fit(found, tell),
        opening_range=OpeningRange(
            low=tell.one(Ratio, found.opening_range[0]), high=tell.one(Ratio, found.opening_range[1])
        ),
        flow_range=FlowRange(low=tell.one(Flow, found.flow_range[0]), high=tell.one(Flow, found.flow_range[1])),
        smallest_steady_opening=tell.maybe(Ratio, found.smallest_steady_opening),
        largest_unsteady_opening=tell.maybe(Ratio, found.largest_unsteady_opening),
        budget=_budget(found.budget, tell),
        balance=None if found.balance is None else _balance(found.balance, tell),
        findings=findings(found.findings),
    )


def _point(one: mathematics.Point, tell: Telling) -> Point:
    return Point(
        opening=tell.one(Ratio, one.opening),
        flow=tell.one(Flow, one.flow),
        standard_uncertainty=tell.one(Flow, one.standard_uncertainty),
        residual=tell.maybe(Flow, one.residual),
        used=one.used,
        why_unused=None if one.why_unused is None else WhyUnused(one.why_unused),
    )


def _pooled(found: FlowFit, tell: Telling) -> list[PooledOpening]:
    moved = found.prior_influence or [None] * len(found.openings)
    return [
        PooledOpening(
            opening=tell.one(Ratio, one.opening),
            catches=one.catches,
            flow=tell.one(Flow, one.flow),
            standard_uncertainty=tell.one(Flow, one.standard_uncertainty),
            residual=tell.one(Flow, one.residual),
            prior_moved=tell.maybe(Ratio, by),
        )
        for one, by in zip(found.openings, moved, strict=True)
    ]


def _fit(found: FlowFit, tell: Telling) -> Fit:
    unit = Flow.usual[tell.system]
    moved = found.prior_influence
    return Fit(
        form=Form(found.curve.form),
        parameters=_parameters(found, unit),
        correlation=[list(row) for row in found.correlation],
        chi_square=found.chi_square,
        residual_sum_of_squares=found.residual_sum_of_squares / float(Flow.factors[unit]) ** 2,
        residual_sum_of_squares_unit=f"({unit})^2",  # type: ignore[arg-type]
        residual_standard_deviation=tell.maybe(Flow, found.residual_standard_deviation),
        degrees_of_freedom=found.degrees_of_freedom,
        lack_of_fit_p=found.lack_of_fit_p,
        at_bound=list(found.at_bound),
        converged=found.converged,
        prior_influence=None if moved is None else tell.one(Ratio, np.abs(moved).max()),
    )


def _parameters(found: FlowFit, unit: str) -> Parameters | None:
    own = found.parameters
    if not own:
        return None
    numbers = {
        name: NumberParameter(value=own[name].value, standard_uncertainty=own[name].standard_uncertainty)
        for name in ("dead_opening", "exponent")
        if name in own
    }
    scale = own["flow_scale"]
    return Parameters(
        flow_scale=FlowParameter(
            value=from_si(Flow, scale.value, unit),
            standard_uncertainty=from_si(Flow, scale.standard_uncertainty, unit),
            unit=unit,  # type: ignore[arg-type]
        ),
        dead_opening=numbers.get("dead_opening"),
        exponent=numbers["exponent"],
    )


def _budget(own: mathematics.Budget, tell: Telling) -> Budget:
    return Budget(
        repeatability=_component(own.repeatability, tell),
        type_b=_component(own.type_b, tell),
        shared=_component(own.shared, tell),
        opening=_component(own.opening, tell),
    )


def _component(own: mathematics.Component, tell: Telling) -> Component:
    return Component(
        value=tell.one(Ratio, own.value),
        basis=Basis(own.basis),
        degrees_of_freedom=own.degrees_of_freedom if math.isfinite(own.degrees_of_freedom) else None,
    )


def _balance(own: mathematics.Balance, tell: Telling) -> Balance:
    return Balance(
        left_share=tell.one(Ratio, own.left_share),
        difference=tell.one(Ratio, own.difference),
        standard_uncertainty=tell.one(Ratio, own.difference_uncertainty),
        openings=own.openings,
    )
