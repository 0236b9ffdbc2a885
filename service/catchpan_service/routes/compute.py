"""``/v1/compute``: the stateless computations, one at a time and in batches."""

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

import msgspec
from litestar import Router, post
from litestar.params import JSONBody
from litestar.types import ControllerRouterHandler

from catchpan.contract.curves import (
    FlowCurveAnswer,
    FlowCurveAnswers,
    FlowCurveBatch,
    FlowCurveItem,
    FlowCurveRequest,
)
from catchpan.contract.openings import (
    ChartAnswer,
    ChartAnswers,
    ChartBatch,
    ChartItem,
    ChartRequest,
    OpeningAnswer,
    OpeningAnswers,
    OpeningBatch,
    OpeningItem,
    OpeningRequest,
)
from catchpan.contract.overlaps import OverlapAnswer, OverlapAnswers, OverlapBatch, OverlapItem, OverlapRequest
from catchpan.quantities import System
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.problems import computation_problem
from catchpan_service.routes.asking import OPTIONALLY_SECURED, Told, may_have_key
from catchpan_service.si import curves as fits
from catchpan_service.si import openings as settings
from catchpan_service.si import overlaps as pan_tests

R = TypeVar("R")


def each(one: Callable[[R, System], Any], asked: Sequence[R], units: System) -> list[Any]:
    """Every item's answer or error, in order: one bad item spoils no other."""
    return [_attempt(one, item, units) for item in asked]


def _attempt(one: Callable[[R, System], Any], item: R, units: System) -> Any:
    try:
        return one(item, units)
    except CalibrationError as error:
        return error


def _items(kind: type[Any], asked: Sequence[Any], solved: Sequence[Any]) -> list[Any]:
    return [
        kind(problem=computation_problem(answer, msgspec.to_builtins(item)))
        if isinstance(answer, CalibrationError)
        else kind(result=answer)
        for item, answer in zip(asked, solved, strict=True)
    ]


@post("/flow-curve", operation_id="computeFlowCurve", summary="Catches to a flow curve",
      status_code=200, sync_to_thread=False)  # fmt: skip
def flow_curve(data: JSONBody[FlowCurveRequest], told: Told) -> FlowCurveAnswer:
    """Timed and weighed catches: the flow curve, how sure it is, and what a person should look at."""
    return fits.solve(data, told)


@post("/flow-curves", operation_id="computeFlowCurves", summary="Several sets of catches",
      status_code=200, sync_to_thread=True)  # fmt: skip
def flow_curves(data: JSONBody[FlowCurveBatch], told: Told) -> FlowCurveAnswers:
    """Several sets of catches, answered in the same order."""
    return FlowCurveAnswers(items=_items(FlowCurveItem, data.items, fits.solve_many(data.items, told)))


@post("/opening", operation_id="computeOpening", summary="Rate to opening", status_code=200, sync_to_thread=False)
def opening(data: JSONBody[OpeningRequest], told: Told) -> OpeningAnswer:
    """The opening that lays a rate, for a pass and a ground speed, and how sure it is."""
    return settings.solve(data, told)


@post("/openings", operation_id="computeOpenings", summary="Several rates to openings",
      status_code=200, sync_to_thread=True)  # fmt: skip
def openings(data: JSONBody[OpeningBatch], told: Told) -> OpeningAnswers:
    """Several questions, answered in the same order."""
    return OpeningAnswers(items=_items(OpeningItem, data.items, each(settings.solve, data.items, told)))


@post("/opening-chart", operation_id="computeOpeningChart", summary="Openings for rates and speeds",
      status_code=200, sync_to_thread=False)  # fmt: skip
def opening_chart(data: JSONBody[ChartRequest], told: Told) -> ChartAnswer:
    """The opening for every rate at every ground speed."""
    return settings.solve_chart(data, told)


@post("/opening-charts", operation_id="computeOpeningCharts", summary="Several charts",
      status_code=200, sync_to_thread=True)  # fmt: skip
def opening_charts(data: JSONBody[ChartBatch], told: Told) -> ChartAnswers:
    """Several charts, answered in the same order."""
    return ChartAnswers(items=_items(ChartItem, data.items, each(settings.solve_chart, data.items, told)))


@post("/overlap", operation_id="computeOverlap", summary="Pan test to pattern and overlap",
      status_code=200, sync_to_thread=True)  # fmt: skip
def overlap(data: JSONBody[OverlapRequest], told: Told) -> OverlapAnswer:
    """A row of pans under a pass: the pattern, what the overlap does, and the pass spacing to drive."""
    return pan_tests.solve(data, told)


@post("/overlaps", operation_id="computeOverlaps", summary="Several pan tests", status_code=200, sync_to_thread=True)
def overlaps(data: JSONBody[OverlapBatch], told: Told) -> OverlapAnswers:
    """Several pan tests, answered in the same order."""
    return OverlapAnswers(items=_items(OverlapItem, data.items, each(pan_tests.solve, data.items, told)))


HANDLERS: list[ControllerRouterHandler] = [
    flow_curve, flow_curves, opening, openings, opening_chart, opening_charts, overlap, overlaps,
]  # fmt: skip
router = Router(
    "/v1/compute", route_handlers=HANDLERS, tags=["compute"], security=OPTIONALLY_SECURED, guards=[may_have_key]
)
