"""``compute/check-catch``, ``field-check`` and ``check-series`` between the wire and the mathematics."""

from typing import Any

from catchpan.contract.checks import (
    ChartedCheck,
    CheckCatchAnswer,
    CheckCatchRequest,
    CheckedOpening,
    CheckSeriesAnswer,
    CheckSeriesRequest,
    Decision,
    FieldCheckAnswer,
    FieldCheckRequest,
    FieldRatio,
    Signal,
)
from catchpan.quantities import Ratio, System
from catchpan_service.calibration.check_catch import CONFIDENCE, TOLERANCE, check_catch
from catchpan_service.calibration.check_series import CUSUM_LIMIT, FLEET, check_series
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.field_check import field_check
from catchpan_service.si.curves import model_of, received, session_of
from catchpan_service.si.telling import Telling, findings, given, rounded, scalar


def solve_check_catch(request: CheckCatchRequest, system: System) -> CheckCatchAnswer:
    """Decide on check catches; CalibrationError where they cannot be compared with the curve."""
    tell = Telling(system)
    options = {"tolerance": TOLERANCE, "confidence": CONFIDENCE} | given(
        tolerance=scalar(request.tolerance), confidence=scalar(request.confidence)
    )
    found = check_catch(
        received(request.curve),
        session_of(request.catches),
        correction=request.correction,
        model=model_of(request),
        **options,
    )
    return CheckCatchAnswer(
        decision=Decision(found.decision),
        openings=[
            CheckedOpening(
                opening=tell.one(Ratio, one.opening),
                catches=one.catches,
                ratio=tell.one(Ratio, one.ratio),
                standard_uncertainty=tell.one(Ratio, one.standard_uncertainty),
                within_tolerance=tell.one(Ratio, one.within_tolerance),
            )
            for one in found.openings
        ],
        ratio=tell.one(Ratio, found.ratio),
        standard_uncertainty=tell.one(Ratio, found.standard_uncertainty),
        within_tolerance=tell.one(Ratio, found.within_tolerance),
        within_if_corrected=tell.one(Ratio, found.within_if_corrected),
        correction=rounded(found.correction),
        tolerance=tell.one(Ratio, options["tolerance"]),
        confidence=tell.one(Ratio, options["confidence"]),
        agreement_p=None if found.agreement_p is None else rounded(found.agreement_p),
        more_catches=found.more_catches,
        findings=findings(found.findings),
    )


def solve_field_check(request: FieldCheckRequest, system: System) -> FieldCheckAnswer:
    """Compare material used with what should have been laid; CalibrationError where too little is known."""
    tell = Telling(system)
    found = field_check(
        used=request.used.si,
        rate=request.rate.si,
        coverages=request.coverages,
        **given(
            laid_width=scalar(request.laid_width),
            distance=scalar(request.distance),
            area=scalar(request.area),
            tolerance=scalar(request.tolerance),
            used_uncertainty=scalar(request.used_uncertainty),
            distance_uncertainty=scalar(request.distance_uncertainty),
            area_uncertainty=scalar(request.area_uncertainty),
        ),
    )
    return FieldCheckAnswer(
        flow_and_speed=_ratio(found.flow_and_speed, found.flow_and_speed_interval, tell),
        driving=_ratio(found.driving, found.driving_interval, tell),
        overall=_ratio(found.overall, found.overall_interval, tell),
        correction=None if found.correction is None else rounded(float(found.correction)),
        findings=findings(found.findings),
    )


def _ratio(value: Any, interval: Any, tell: Telling) -> FieldRatio | None:
    if value is None:
        return None
    low, high = interval
    return FieldRatio(value=tell.one(Ratio, value), low=tell.one(Ratio, low), high=tell.one(Ratio, high))


def solve_check_series(request: CheckSeriesRequest, _system: System) -> CheckSeriesAnswer:
    """Both charts over a machine's checks; CalibrationError for a value that cannot be."""
    machines = FLEET if request.machines is None else request.machines
    limit = CUSUM_LIMIT if request.cusum_limit is None else request.cusum_limit
    try:
        found = check_series(
            ratio=[one.ratio.si for one in request.checks],
            standard_uncertainty=[one.standard_uncertainty.si for one in request.checks],
            machines=machines,
            cusum_limit=limit,
            **given(
                weight=request.weight,
                ewma_limit=request.ewma_limit,
                slack=request.slack,
                checks_per_month=request.checks_per_month,
            ),
        )
    except CalibrationError as error:
        raise _placed(error) from error
    columns = (found.standardised, found.ewma.average, found.cusum.high, found.cusum.low)
    rows = zip(*(column.tolist() for column in columns), found.signal, strict=True)
    return CheckSeriesAnswer(
        checks=[
            ChartedCheck(
                standardised=rounded(z),
                ewma=rounded(average),
                cusum_high=rounded(high),
                cusum_low=rounded(low),
                signal=None if signal is None else Signal(signal),
            )
            for z, average, high, low, signal in rows
        ],
        ewma_limit=rounded(found.ewma.high),
        cusum_limit=limit,
        ewma_run_length=rounded(found.ewma_run_length),
        cusum_run_length=rounded(found.cusum_run_length),
        machines=machines,
        false_alarms_per_month=rounded(found.false_alarms),
        findings=findings(found.findings),
    )


def _placed(error: CalibrationError) -> CalibrationError:
    """The same refusal, pointing at the check that it is about."""
    if len(error.where) != 2:
        return error
    where = ("checks", error.where[1], error.where[0])
    return CalibrationError(error.code, str(error), where=where, given=error.given, allowed=error.allowed)
