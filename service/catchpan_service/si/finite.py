"""No answer holds a number beyond all numbers: JSON has none, and a null in its place would be a lie."""

import math
from collections.abc import Callable, Sequence
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
    with np.errstate(all="ignore"):  # judged by the answer, below
        answer = solve(request, system)
    where = _beyond(answer)
    if where is not None:
        message = f"the answer's {where} is beyond all numbers"
        raise CalibrationError("beyond_numbers", message, allowed="quantities of a size that occurs in the field")
    return answer


def finite_each(solve: Solve, requests: Sequence[Any], system: System) -> list[Any]:
    """The answer to each request, or its CalibrationError."""
    return [_attempt(solve, one, system) for one in requests]


def finite_many(solve_many: SolveMany, requests: Sequence[Any], system: System) -> list[Any]:
    """The same of a computation that solves many at once."""
    with np.errstate(all="ignore"):
        solved = solve_many(requests, system)
    return finite_each(lambda one, _: _raised(one), solved, system)


def _attempt(solve: Solve, one: Any, system: System) -> Any:
    try:
        return finite_one(solve, one, system)
    except CalibrationError as error:
        return error


def _raised(solved: Any) -> Any:
    if isinstance(solved, CalibrationError):
        raise solved
    return solved


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
