"""Quantities that are only stored: a bag of less than nothing, or a label's limit of 0, must not be stored either."""

import math
from collections.abc import Iterator
from typing import Any, Final

import msgspec

from catchpan.contract.materials import Analysis
from catchpan.quantities import Quantity
from catchpan_service.calibration.errors import CalibrationError

_ABOVE_ZERO: Final = (math.ulp(0.0), 1e9, "above 0")
_SHARE: Final = (0.0, 1.0, "from 0 to 100 %")
_RANGES: Final = {
    "bag": _ABOVE_ZERO,
    "bulk_density": _ABOVE_ZERO,
    "hopper": _ABOVE_ZERO,
    "hopper_fill": _SHARE,
    "impeller_speed": _ABOVE_ZERO,
    "label_highest_rate": _ABOVE_ZERO,
    "label_yearly_limit": _ABOVE_ZERO,
    "nitrogen": _SHARE,
    "opening_step": (math.ulp(0.0), 1.0, "above 0, at most 100 %"),
    "phosphate": _SHARE,
    "potash": _SHARE,
    "rate": _ABOVE_ZERO,
    "speed": _ABOVE_ZERO,
    "throw": _ABOVE_ZERO,
    "width": _ABOVE_ZERO,
    "wind": (0.0, 1e9, "0 or above"),
}
_Where = tuple[str | int, ...]


def require_sound(request: msgspec.Struct, *, within: _Where = ()) -> None:
    """Refuse a quantity that cannot be, by its place in the request.

    Raises
    ------
    CalibrationError
        A quantity out of its range, or nutrients that come to more than the product.
    """
    for where, value in _quantities(request, within):
        low, high, allowed = _RANGES.get(str(where[-1]), (-math.inf, math.inf, ""))
        if not low <= value.si <= high:
            name = str(where[-1])
            raise CalibrationError(
                f"bad_{name}", f"{name} cannot be {value}", where=where, given=value, allowed=allowed
            )
    for where, analysis in _analyses(request, within):
        given = [one.si for one in (analysis.nitrogen, analysis.phosphate, analysis.potash) if one is not None]
        if sum(given) > 1.0 + 1e-9:
            message = "the nutrients come to more than the product"
            raise CalibrationError(
                "bad_analysis", message, where=where, given=f"{100 * sum(given):g} %", allowed="100 % together"
            )


def _quantities(value: Any, where: _Where) -> Iterator[tuple[_Where, Quantity]]:
    if isinstance(value, Quantity):
        yield where, value
    else:
        for name, inner in _members(value):
            yield from _quantities(inner, (*where, name))


def _analyses(value: Any, where: _Where) -> Iterator[tuple[_Where, Analysis]]:
    if isinstance(value, Analysis):
        yield where, value
    for name, inner in _members(value):
        yield from _analyses(inner, (*where, name))


def _members(value: Any) -> list[tuple[str | int, Any]]:
    if isinstance(value, msgspec.Struct):
        return [(name, getattr(value, name)) for name in value.__struct_fields__]
    return list(enumerate(value)) if isinstance(value, list) else []
