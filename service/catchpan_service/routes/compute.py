"""``/v1/compute``: the stateless computations, one at a time and in batches, made from their table."""

from collections.abc import Callable
from typing import Any

import msgspec
from litestar import Router, post
from litestar.handlers import HTTPRouteHandler
from litestar.params import JSONBody
from litestar.types import ControllerRouterHandler

from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.problems import computation_problem
from catchpan_service.routes.asking import OPTIONALLY_SECURED, Told, may_have_key
from catchpan_service.routes.computations import COMPUTATIONS, Computation, operation_id
from catchpan_service.si.finite import finite_each, finite_many, finite_one


def _handlers(thing: Computation) -> list[ControllerRouterHandler]:
    return [_single(thing), _batch(thing)]


def _single(thing: Computation) -> HTTPRouteHandler:
    def compute(data: Any, told: Any) -> Any:
        return finite_one(thing.solve, data, told)

    return _handler(
        compute, thing.name, thing.summary, thing.words, thing.wire("Request"), thing.wire("Answer"), light=thing.light
    )


def _batch(thing: Computation) -> HTTPRouteHandler:
    batch, item, answers = (thing.wire(part) for part in ("Batch", "Item", "Answers"))

    def compute(data: Any, told: Any) -> Any:
        if thing.solve_many is None:
            solved = finite_each(thing.solve, data.items, told)
        else:
            solved = finite_many(thing.solve_many, data.items, told)
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
    return post(
        f"/{name}", operation_id=operation_id(name), summary=summary, status_code=200, sync_to_thread=not light
    )(compute)


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
