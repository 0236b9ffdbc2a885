"""``compute/prior`` and ``compute/provisional-curve`` between the wire and the mathematics."""

from collections.abc import Sequence

import numpy as np

from catchpan.contract.curves import Prior
from catchpan.contract.priors import (
    LoanRatio,
    PriorAnswer,
    PriorRequest,
    ProvisionalAnswer,
    ProvisionalRequest,
    SetShape,
)
from catchpan.quantities import Ratio, System
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.flow_curve import FitCase, FlowFit, fit_flow_curves
from catchpan_service.calibration.prior import FleetPrior, fleet_prior
from catchpan_service.calibration.provisional import provisional_curve
from catchpan_service.si.curves import model_of, published, received, session_of
from catchpan_service.si.telling import Telling, findings, rounded


def solve_prior(request: PriorRequest, _system: System) -> PriorAnswer:
    """What a fleet's sets say of another material; CalibrationError where they say too little."""
    fits = _fits(request)
    try:
        found = _found(request, fits)
    except CalibrationError as error:
        raise _named(error) from error
    own = found.prior
    return PriorAnswer(
        prior=Prior(
            exponent=rounded(own.exponent),
            exponent_uncertainty=rounded(own.exponent_uncertainty),
            dead_opening=rounded(own.dead_opening),
            dead_opening_uncertainty=rounded(own.dead_opening_uncertainty),
            correlation=rounded(own.correlation),
        ),
        materials=list(found.materials),
        sets=[_shape(one.material, fit) for one, fit in zip(request.sets, fits, strict=True)],
        scaled_by_size=found.scaled_by_size,
        size_gain=None if found.size_gain is None else rounded(found.size_gain),
    )


def _found(request: PriorRequest, fits: Sequence[FlowFit]) -> FleetPrior:
    return fleet_prior(
        material=[one.material for one in request.sets],
        dead_opening=[fit.parameters["dead_opening"].value for fit in fits],
        exponent=[fit.parameters["exponent"].value for fit in fits],
        covariance=[[list(row[1:]) for row in fit.curve.covariance[1:]] for fit in fits],
        size=[one.size_guide_number for one in request.sets],
        without=request.without,
        new_size=request.size_guide_number,
    )


def _named(error: CalibrationError) -> CalibrationError:
    """The same refusal under the names of the request."""
    where = tuple("size_guide_number" if step in ("size", "new_size") else step for step in error.where)
    return CalibrationError(error.code, str(error), where=where, given=error.given, allowed=error.allowed)


def _fits(request: PriorRequest) -> list[FlowFit]:
    """Each set's own fit, without any prior."""
    cases = []
    for index, one in enumerate(request.sets):
        try:
            cases.append(FitCase(session_of(one.catches), "offset_power", prior=None))
        except CalibrationError as error:
            raise _of_set(index, error) from error
    fits = []
    for index, fit in enumerate(fit_flow_curves(cases)):
        if isinstance(fit, CalibrationError):
            raise _of_set(index, fit) from fit
        fits.append(fit)
    return fits


def _of_set(index: int, error: CalibrationError) -> CalibrationError:
    where = ("sets", index, *(error.where if error.where[:1] == ("catches",) else ("catches",)))
    return CalibrationError(
        error.code, f"set {index + 1}: {error}", where=where, given=error.given, allowed=error.allowed
    )


def _shape(material: str, fit: FlowFit) -> SetShape:
    dead, exponent = fit.parameters["dead_opening"], fit.parameters["exponent"]
    return SetShape(
        material=material,
        dead_opening=rounded(dead.value),
        dead_opening_uncertainty=rounded(dead.standard_uncertainty),
        exponent=rounded(exponent.value),
        exponent_uncertainty=rounded(exponent.standard_uncertainty),
    )


def solve_provisional(request: ProvisionalRequest, system: System) -> ProvisionalAnswer:
    """A borrowed curve, corrected and widened; CalibrationError where the checks do not allow it."""
    tell = Telling(system)
    found = provisional_curve(received(request.curve), session_of(request.catches), model=model_of(request))
    ratios = found.ratios
    rows = zip(ratios.opening, ratios.count, np.exp(ratios.log_ratio), np.sqrt(ratios.variance), strict=True)
    return ProvisionalAnswer(
        curve=published(found.curve),
        factor=tell.one(Ratio, found.factor),
        standard_uncertainty=tell.one(Ratio, found.standard_uncertainty),
        ratios=[
            LoanRatio(
                opening=tell.one(Ratio, opening),
                catches=count,
                ratio=tell.one(Ratio, ratio),
                standard_uncertainty=tell.one(Ratio, uncertainty),
            )
            for opening, count, ratio, uncertainty in rows
        ],
        agreement_p=rounded(found.agreement_p),
        tilt_uncertainty=rounded(found.tilt_uncertainty),
        findings=findings(found.findings),
    )
