"""Quantities to SI and back: the primitives."""

import math
from collections.abc import Iterable
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from catchpan.contract.findings import Finding, FindingCode, Severity
from catchpan.quantities import (
    Flow,
    Length,
    Mass,
    Quantity,
    Rate,
    Ratio,
    Speed,
    System,
    from_si,
)
from catchpan_service.calibration import findings as calibration

Q = TypeVar("Q", bound=Quantity)
DIGITS = 12
"""Significant digits of a published number."""

FloatArray = NDArray[np.float64]
_KINDS: dict[str, type[Quantity]] = {
    "Masses": Mass, "Lengths": Length, "Speeds": Speed, "Flows": Flow, "Rates": Rate, "Ratios": Ratio,
    "RatioGrid": Ratio,
}  # fmt: skip


def scalar(quantity: Quantity | None) -> float | None:
    """The SI value of a quantity, None where it was not given."""
    return None if quantity is None else quantity.si


def given(**arguments: Any) -> dict[str, Any]:
    """Keyword arguments without those that were not given, so that the computation's own defaults hold."""
    return {name: value for name, value in arguments.items() if value is not None}


def array(quantities: Any) -> FloatArray:
    """The SI values of a quantity array, NaN for null."""
    factor = float(_KINDS[type(quantities).__name__].factors[quantities.unit])
    return np.array([math.nan if value is None else value for value in quantities.values]) * factor


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

    def many(self, kind: type[Any], values: Iterable[float]) -> Any:
        """SI values as a quantity array, null for NaN and infinities."""
        unit, told = self._told(kind, values)
        return kind(told, unit)

    def grid(self, kind: type[Any], rows: Iterable[Iterable[float]]) -> Any:
        """Rows of SI values as a quantity grid, null for NaN and infinities."""
        told = [self._told(kind, row) for row in rows]
        return kind([values for _, values in told], _KINDS[kind.__name__].usual[self.system])

    def _told(self, kind: type[Any], values: Iterable[float]) -> tuple[str, list[float | None]]:
        scale = _KINDS[kind.__name__]
        unit = scale.usual[self.system]
        return unit, [rounded(from_si(scale, float(v), unit)) if math.isfinite(v) else None for v in values]


def findings(found: Iterable[calibration.Finding], prefix: str = "") -> list[Finding]:
    """Findings of a computation as they travel; ``where`` becomes a JSON Pointer."""
    return [
        Finding(
            code=FindingCode(one.code),
            severity=Severity(one.severity),
            where="".join(f"/{step}" for step in ((prefix, *one.where) if prefix else one.where)),
            what=one.what,
            advice=one.advice,
        )
        for one in found
    ]
