"""No answer holds a number beyond all numbers: JSON has none, and a null in its place would be a lie."""

import math
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import msgspec
import numpy as np

from catchpan.quantities import System
from catchpan_service.calibration.errors import CalibrationError

Solve = Callable[[Any, System], Any]
SolveMany = Callable[[Sequence[Any], System], Sequence[Any]]


def finite_one(solve: Solve, request: Any, system: System) -> Any:
    """The answer to one request.

    Raises
    ------
    CalibrationError
        Of the computation, or where a number of the answer is beyond all numbers.
    """
    with np.errstate(all="ignore"):  # judged by the answer
        return _finite(solve(request, system))


def finite_each(solve: Solve, requests: Sequence[Any], system: System) -> list[Any]:
    """The answer to each request, or its CalibrationError."""
    return [_outcome(partial(finite_one, solve, one, system)) for one in requests]


def finite_many(solve_many: SolveMany, requests: Sequence[Any], system: System) -> list[Any]:
    """The same of a computation that solves many at once."""
    with np.errstate(all="ignore"):
        solved = solve_many(requests, system)
    return [one if isinstance(one, CalibrationError) else _outcome(partial(_finite, one)) for one in solved]


def _outcome(make: Callable[[], Any]) -> Any:
    try:
        return make()
    except CalibrationError as error:
        return error


def _finite(answer: Any) -> Any:
    where = _beyond(answer)
    if where is not None:
        message = f"the answer's {where} is beyond all numbers"
        raise CalibrationError("beyond_numbers", message, allowed="quantities of a size that occurs in the field")
    return answer


def _beyond(value: Any) -> str | None:
    """The place of the first number that is not finite, None where all are."""
    if isinstance(value, float):
        return None if math.isfinite(value) else ""
    if isinstance(value, msgspec.Struct):
        rows = [(name, getattr(value, name)) for name in value.__struct_fields__]
    elif isinstance(value, list):
        rows = [(str(index), one) for index, one in enumerate(value)]
    else:
        return None
    for name, one in rows:
        where = _beyond(one)
        if where is not None:
            return f"{name}/{where}" if where else name
    return None
