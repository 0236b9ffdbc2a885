"""``compute/opening`` and ``compute/opening-chart`` between the wire and the mathematics."""

from typing import Any

import numpy as np

from catchpan.contract.openings import (
    ChartAnswer,
    ChartRequest,
    OpeningAnswer,
    OpeningInterval,
    OpeningRequest,
    OpeningStatus,
    RateInterval,
    RateRange,
    SpeedRange,
)
from catchpan.quantities import Flow, Rate, Ratio, RatioGrid, Speed, System
from catchpan_service.calibration import opening as mathematics
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.si.curves import received
from catchpan_service.si.telling import Telling, array, findings, scalar


def solve(request: OpeningRequest, system: System) -> OpeningAnswer:
    """The opening for a rate, told in a system of units; CalibrationError where it cannot be computed."""
    options = _options(request)
    found = mathematics.opening_for_rate(**options, rate=request.rate.si, speed=request.speed.si)
    return _answer(found, Telling(system))


def solve_chart(request: ChartRequest, system: System) -> ChartAnswer:
    """Openings for a grid of rates (rows) and speeds (columns)."""
    tell, options = Telling(system), _options(request)
    rates, speeds = array(request.rates), array(request.speeds)
    for name, values in (("rates", rates), ("speeds", speeds)):
        if not 0 < len(values) <= MAX_SIDE:
            allowed = f"1 to {MAX_SIDE} {name}"
            raise CalibrationError("wrong_length", f"a chart needs {allowed}", where=(name,), allowed=allowed)
    try:
        found = mathematics.opening_for_rate(**options, rate=rates[:, None], speed=speeds[None, :])
    except CalibrationError as error:
        raise _named(error) from error
    stepped = found.opening if request.opening_step is None else found.set_opening
    return ChartAnswer(
        rates=request.rates,
        speeds=request.speeds,
        openings=tell.grid(RatioGrid, stepped),
        status=[[OpeningStatus(str(state)) for state in row] for row in found.status],
        findings=findings(_once(found.findings)),
    )


MAX_SIDE = 100
"""Rates and speeds that a chart may have."""


def _named(error: CalibrationError) -> CalibrationError:
    """The same refusal, pointing into the chart's rates or speeds."""
    place = {"rate": ("rates", 0), "speed": ("speeds", 1)}.get(str(error.where[0])) if error.where else None
    if place is None:
        return error
    name, axis = place
    where = (name, *error.where[1:][axis : axis + 1])
    return CalibrationError(error.code, str(error), where=where, given=error.given, allowed=error.allowed)


def _once(found: Any) -> list[Any]:
    """One finding of each code; where openings lie outside the catches the status says so already."""
    return list({one.code: one for one in reversed(found) if one.code != "outside_catches"}.values())


def _options(request: OpeningRequest | ChartRequest) -> dict[str, Any]:
    if (request.pass_spacing is None) == (request.edge_width is None):
        message = "exactly one of pass_spacing (overlapped pass) and edge_width (edge pass) is needed"
        allowed = "one of pass_spacing and edge_width"
        raise CalibrationError("laid_width_unclear", message, where=("pass_spacing",), allowed=allowed)
    name = "pass_spacing" if request.edge_width is None else "edge_width"
    width = getattr(request, name).si
    if not 0 < width < np.inf:
        raise CalibrationError("bad_width", f"{name} must be above zero", where=(name,), given=width, allowed="above 0")
    return {
        "curve": received(request.curve),
        "laid_width": width,
        "coverages": request.coverages,
        "gates": request.gates,
        "correction": request.correction,
        "opening_step": scalar(request.opening_step),
        "label_highest_rate": scalar(request.label_highest_rate),
        "between_machine_spread": scalar(request.between_machine_spread),
        "machines_checked": request.machines_checked,
    }


def _answer(found: mathematics.OpeningAnswer, tell: Telling) -> OpeningAnswer:
    low, high = found.opening_interval
    opening = tell.maybe(Ratio, found.opening)
    return OpeningAnswer(
        flow=tell.one(Flow, found.flow),
        opening=opening,
        opening_interval=None
        if opening is None
        else OpeningInterval(low=tell.maybe(Ratio, low), high=tell.maybe(Ratio, high)),
        rate_interval=RateInterval(
            this_machine=_rates(found.rate_interval_this_machine, tell),
            any_machine=_rates(found.rate_interval_any_machine, tell),
        ),
        set_opening=tell.maybe(Ratio, found.set_opening),
        rate_at_set_opening=tell.maybe(Rate, found.rate_at_set_opening),
        speed_range=SpeedRange(
            low=tell.maybe(Speed, found.speed_range[0]), high=tell.maybe(Speed, found.speed_range[1])
        ),
        status=OpeningStatus(str(found.status)),
        findings=findings(found.findings),
    )


def _rates(ends: tuple[Any, Any], tell: Telling) -> RateRange | None:
    low, high = tell.maybe(Rate, ends[0]), tell.maybe(Rate, ends[1])
    return None if low is None or high is None else RateRange(low=low, high=high)
