"""``/v1/compute``: the stateless computations, one at a time and in batches, from one table."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec
from litestar import Router, post
from litestar.handlers import HTTPRouteHandler
from litestar.params import JSONBody
from litestar.types import ControllerRouterHandler

from catchpan.contract import curves, openings, overlaps
from catchpan.quantities import System
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.problems import computation_problem
from catchpan_service.routes.asking import OPTIONALLY_SECURED, Told, may_have_key
from catchpan_service.si import curves as fits
from catchpan_service.si import openings as settings
from catchpan_service.si import overlaps as pan_tests

Solve = Callable[[Any, System], Any]
SolveMany = Callable[[Sequence[Any], System], Sequence[Any]]


@dataclass(frozen=True)
class Computation:
    """One computation: its path and that of its batch, its wire types, and what solves it.

    Attributes
    ----------
    name, plural : str
        Last part of the path, for one and for a batch.
    summary, words : str
        What the document says of it.
    wire : tuple of type
        Request, answer, batch, item and answers.
    solve : callable
        One request and a system of units to an answer; CalibrationError where there is none.
    solve_many : callable, optional
        Many requests at once, each an answer or its error; one after another by default.
    light : bool
        True for one that takes under 2 ms: it runs in line.
    """

    name: str
    plural: str
    summary: str
    words: str
    wire: tuple[type[Any], type[Any], type[Any], type[Any], type[Any]]
    solve: Solve
    solve_many: SolveMany | None = None
    light: bool = False


COMPUTATIONS = (
    Computation(
        "flow-curve",
        "flow-curves",
        "Catches to a flow curve",
        "Timed and weighed catches: the flow curve, how sure it is, and what a person should look at.",
        (
            curves.FlowCurveRequest,
            curves.FlowCurveAnswer,
            curves.FlowCurveBatch,
            curves.FlowCurveItem,
            curves.FlowCurveAnswers,
        ),
        fits.solve,
        fits.solve_many,
        light=True,
    ),
    Computation(
        "opening",
        "openings",
        "Rate to opening",
        "The opening that lays a rate, for a pass and a ground speed, and how sure it is.",
        (
            openings.OpeningRequest,
            openings.OpeningAnswer,
            openings.OpeningBatch,
            openings.OpeningItem,
            openings.OpeningAnswers,
        ),
        settings.solve,
        light=True,
    ),
    Computation(
        "opening-chart",
        "opening-charts",
        "Openings for rates and speeds",
        "The opening for every rate at every ground speed.",
        (openings.ChartRequest, openings.ChartAnswer, openings.ChartBatch, openings.ChartItem, openings.ChartAnswers),
        settings.solve_chart,
    ),
    Computation(
        "overlap",
        "overlaps",
        "Pan test to pattern and overlap",
        "A row of pans under a pass: the pattern, what the overlap does, and the pass spacing to drive.",
        (
            overlaps.OverlapRequest,
            overlaps.OverlapAnswer,
            overlaps.OverlapBatch,
            overlaps.OverlapItem,
            overlaps.OverlapAnswers,
        ),
        pan_tests.solve,
    ),
)


def _handlers(thing: Computation) -> list[ControllerRouterHandler]:
    return [_single(thing), _batch(thing)]


def _single(thing: Computation) -> HTTPRouteHandler:
    request, answer, *_ = thing.wire

    def compute(data: Any, told: Any) -> Any:
        return thing.solve(data, told)

    return _handler(compute, thing.name, thing.summary, thing.words, request, answer, light=thing.light)


def _batch(thing: Computation) -> HTTPRouteHandler:
    _, _, batch, item, answers = thing.wire
    many = thing.solve_many or (lambda asked, told: [_attempt(thing.solve, one, told) for one in asked])

    def compute(data: Any, told: Any) -> Any:
        solved = many(data.items, told)
        return answers(items=[_item(item, *pair) for pair in zip(data.items, solved, strict=True)])

    words = f"{thing.words} Several at once, answered in the same order; one bad item spoils no other."
    return _handler(compute, thing.plural, f"{thing.summary}, in a batch", words, batch, answers, light=False)


def _handler(
    compute: Callable[[Any, Any], Any],
    name: str,
    summary: str,
    words: str,
    request: type[Any],
    answer: type[Any],
    *,
    light: bool,
) -> HTTPRouteHandler:
    compute.__doc__ = words
    body = JSONBody[request]  # type: ignore[valid-type]
    compute.__annotations__ = {"data": body, "told": Told, "return": answer}
    operation = "compute" + name.title().replace("-", "")
    return post(f"/{name}", operation_id=operation, summary=summary, status_code=200, sync_to_thread=not light)(compute)


def _attempt(solve: Solve, one: Any, told: System) -> Any:
    try:
        return solve(one, told)
    except CalibrationError as error:
        return error


def _item(kind: type[Any], asked: Any, solved: Any) -> Any:
    if isinstance(solved, CalibrationError):
        return kind(problem=computation_problem(solved, msgspec.to_builtins(asked)))
    return kind(result=solved)


router = Router(
    "/v1/compute",
    route_handlers=[handler for thing in COMPUTATIONS for handler in _handlers(thing)],
    tags=["compute"],
    security=OPTIONALLY_SECURED,
    guards=[may_have_key],
)
