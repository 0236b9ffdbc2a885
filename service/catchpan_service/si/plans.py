"""``compute/catch-plan`` between the wire and the mathematics."""

import math

from catchpan.contract.curves import FlowCurveRequest
from catchpan.contract.plans import CatchPlanAnswer, CatchPlanRequest, PlannedCatch
from catchpan.quantities import Mass, Ratio, System, Time
from catchpan_service.calibration.catch_plan import TARGET, CatchPlan, Session, catch_plan
from catchpan_service.calibration.curve import FlowCurve
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.si.curves import fit, received
from catchpan_service.si.telling import Telling, array, given, scalar


def solve(request: CatchPlanRequest, system: System) -> CatchPlanAnswer:
    """The catches to make; CalibrationError for a range, bucket or bag that cannot be."""
    smallest, largest = _flows(request)
    target = TARGET if request.target is None else request.target.si
    session = Session(
        bucket=request.bucket.si,
        bag=request.bag.si,
        **given(
            scale_readability=scalar(request.scale_readability),
            timer_uncertainty=scalar(request.timer_uncertainty),
            repeatability=scalar(request.repeatability),
        ),
    )
    used = [one for one in request.caught if one.stream == "steady"]
    found = catch_plan(
        smallest_flow=smallest,
        largest_flow=largest,
        session=session,
        known=_known(request),
        caught_opening=[one.opening.si for one in used],
        caught_duration=[one.duration.si for one in used],
        target=target,
        **given(most=request.most),
    )
    return _answer(found, target, Telling(system))


def _flows(request: CatchPlanRequest) -> tuple[float, float]:
    """The smallest and the largest flow that rates and speeds need [kg/s]."""
    rates, speeds, width = array(request.rates), array(request.speeds), request.pass_spacing.si
    for name, values in (("rates", rates), ("speeds", speeds)):
        for index, value in enumerate(values.tolist()):
            if not 0 < value < math.inf:
                message, allowed = f"{name} must be above zero", "finite values above zero"
                raise CalibrationError(f"bad_{name}", message, where=(name, index), given=value, allowed=allowed)
        if not len(values):
            message, allowed = f"a plan needs the {name} that crews use", "one or more"
            raise CalibrationError("wrong_length", message, where=(name,), allowed=allowed)
    if not 0 < width < math.inf:
        message, allowed = "pass_spacing must be above zero", "a length above zero"
        raise CalibrationError("bad_pass_spacing", message, where=("pass_spacing",), given=width, allowed=allowed)
    per_coverage = width / request.coverages
    smallest, largest = rates.min() * speeds.min() * per_coverage, rates.max() * speeds.max() * per_coverage
    return float(smallest), float(max(largest, 1.05 * smallest))


def _known(request: CatchPlanRequest) -> FlowCurve | None:
    if request.caught:
        return fit(FlowCurveRequest(catches=request.caught)).curve
    return None if request.similar is None else received(request.similar)


def _answer(found: CatchPlan, target: float, tell: Telling) -> CatchPlanAnswer:
    return CatchPlanAnswer(
        catches=[
            PlannedCatch(
                opening=tell.one(Ratio, one.opening),
                duration=tell.one(Time, one.duration),
                expected_mass=tell.one(Mass, one.expected_mass),
            )
            for one in found.catches
        ],
        predicted=tell.one(Ratio, 2 * found.predicted),
        predicted_now=None if found.predicted_now is None else tell.one(Ratio, 2 * found.predicted_now),
        in_use=tell.one(Ratio, 2 * found.in_use),
        target=tell.one(Ratio, target),
        enough=found.enough,
        smallest_working_opening=tell.one(Ratio, found.working_openings[0]),
        largest_working_opening=tell.one(Ratio, found.working_openings[1]),
        material=tell.one(Mass, found.material),
        time=tell.one(Time, found.time),
        assumed=list(found.assumed),
        findings=[],
    )
