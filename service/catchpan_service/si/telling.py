"""Quantities to SI and back: the primitives."""

import math
import re
from collections.abc import Iterable
from typing import Any, Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from catchpan.contract.findings import Finding, FindingCode, Severity
from catchpan.quantities import (
    Angle,
    Area,
    Flow,
    Length,
    Mass,
    Quantity,
    Rate,
    Ratio,
    Rotation,
    Speed,
    System,
    Time,
    from_si,
    scale,
)
from catchpan_service.calibration import findings as calibration

Q = TypeVar("Q", bound=Quantity)
DIGITS = 12
"""Significant digits of a published number."""

FloatArray = NDArray[np.float64]
_KINDS: dict[str, type[Quantity]] = {
    "Masses": Mass, "Lengths": Length, "Times": Time, "Speeds": Speed, "Flows": Flow, "Rates": Rate, "Ratios": Ratio,
    "RatioGrid": Ratio, "RateGrid": Rate, "Rotations": Rotation, "Angles": Angle,
}  # fmt: skip


def scalar(quantity: Quantity | None) -> float | None:
    """The SI value of a quantity, None where it was not given."""
    return None if quantity is None else quantity.si


def given(**arguments: Any) -> dict[str, Any]:
    """Keyword arguments without those that were not given, so that the computation's own defaults hold."""
    return {name: value for name, value in arguments.items() if value is not None}


def array(quantities: Any) -> FloatArray:
    """The SI values of a quantity array, NaN for null."""
    factor, offset = scale(_KINDS[type(quantities).__name__], quantities.unit)
    with np.errstate(over="ignore"):  # beyond all numbers is infinite, which every computation refuses by name
        return np.array([math.nan if value is None else value for value in quantities.values]) * factor + offset


def rounded(value: float) -> float:
    """A number as it is published: the last bits of a computation differ between processors."""
    return float(f"{value:.{DIGITS}g}")


class Telling:
    """Tells SI results in one system of units, ``us`` or ``si``."""

    def __init__(self, system: System) -> None:
        self.system = system

    def one(self, kind: type[Q], value: float | FloatArray) -> Q:
        """A finite SI value as a quantity."""
        unit = kind.usual[self.system]
        return kind(rounded(from_si(kind, float(value), unit)), unit)

    def maybe(self, kind: type[Q], value: float | FloatArray | None) -> Q | None:
        """The same, null for None, NaN and infinities."""
        return None if value is None or not math.isfinite(value) else self.one(kind, value)

    def ground(self, value: float | None) -> Area | None:
        """The ground of jobs [m²], in acres or hectares; None for none."""
        unit: Literal["ac", "ha"] = "ac" if self.system == "us" else "ha"
        return None if value is None else Area(rounded(from_si(Area, value, unit)), unit)

    def many(self, kind: type[Any], values: Iterable[float] | FloatArray) -> Any:
        """SI values as a quantity array, null for NaN and infinities."""
        one = _KINDS[kind.__name__]
        return kind(self._told(one, values), one.usual[self.system])

    def grid(self, kind: type[Any], rows: Iterable[Iterable[float] | FloatArray]) -> Any:
        """Rows of SI values as a quantity grid, null for NaN and infinities."""
        one = _KINDS[kind.__name__]
        return kind([self._told(one, row) for row in rows], one.usual[self.system])

    def _told(self, kind: type[Quantity], values: Iterable[float] | FloatArray) -> list[float | None]:
        factor, offset = scale(kind, kind.usual[self.system])
        with np.errstate(over="ignore"):
            told = (np.asarray(values, dtype=np.float64) - offset) / factor
        there = np.isfinite(told)
        listed: list[float | None] = _rounded_all(np.where(there, told, 0.0)).tolist()
        return listed if there.all() else [one if known else None for one, known in zip(listed, there, strict=True)]


def _rounded_all(values: FloatArray) -> FloatArray:
    """What :func:`rounded` does, for an array: N / 10^k is the double next to that decimal, as both are exact."""
    size = np.abs(values)
    places = DIGITS - 1 - np.floor(np.log10(np.where(size > 0, size, 1.0)))
    plain = (places >= 0) & (places <= 22)
    power = 10.0 ** np.where(plain, places, 0.0)
    near = np.where(plain, np.rint(values * power) / power, values)
    if plain.all():
        return near
    return np.array([one if easy else rounded(one) for one, easy in zip(near.tolist(), plain, strict=True)])


_OF_AN_ARRAY = re.compile(r"/(positions|masses)(?=/\d)")


def _pointer(where: tuple[str | int, ...]) -> str:
    """The JSON Pointer of a place; a number in a quantity array stands among its ``values``."""
    return _OF_AN_ARRAY.sub(r"\g<0>/values", "".join(f"/{step}" for step in where))


def findings(found: Iterable[calibration.Finding], prefix: str = "") -> list[Finding]:
    """Findings of a computation as they travel; ``where`` becomes a JSON Pointer."""
    return [
        Finding(
            code=FindingCode(one.code),
            severity=Severity(one.severity),
            where=_pointer((prefix, *one.where) if prefix else one.where),
            what=one.what,
            advice=one.advice,
        )
        for one in found
    ]
