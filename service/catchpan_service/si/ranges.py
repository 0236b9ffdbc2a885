"""Quantities that are only stored: a bag of less than nothing, or a label's limit of 0, must not be stored either."""

import math
from collections.abc import Iterator
from typing import Any, Final

import msgspec

from catchpan.contract.materials import Analysis
from catchpan.quantities import Quantity
from catchpan_service.calibration.errors import CalibrationError

_ABOVE_ZERO: Final = (math.ulp(0.0), 1e9, "above 0, at most 1e9 in SI units")
_SHARE: Final = (0.0, 1.0, "from 0 to 100 %")
_RANGES: Final = {
    "area": _ABOVE_ZERO,
    "bag": _ABOVE_ZERO,
    "bulk_density": _ABOVE_ZERO,
    "deadline": (1.0, 31_622_400.0, "from 1 s to 366 days"),
    "distance": _ABOVE_ZERO,
    "hopper": _ABOVE_ZERO,
    "hopper_fill": _SHARE,
    "impeller_speed": _ABOVE_ZERO,
    "label_highest_rate": _ABOVE_ZERO,
    "label_yearly_limit": _ABOVE_ZERO,
    "laid_width": _ABOVE_ZERO,
    "nitrogen": _SHARE,
    "opening_step": (math.ulp(0.0), 1.0, "above 0, at most 100 %"),
    "phosphate": _SHARE,
    "potash": _SHARE,
    "rate": _ABOVE_ZERO,
    "share": (math.ulp(0.0), 1.0, "above 0, at most 100 %"),
    "soak": (0.0, 31_622_400.0, "from 0 to 366 days"),
    "speed": _ABOVE_ZERO,
    "success": _SHARE,
    "throw": _ABOVE_ZERO,
    "used": _ABOVE_ZERO,
    "width": _ABOVE_ZERO,
    "wind": (0.0, 1e9, "0 or above, at most 1e9 m/s"),
}
_ANY: Final = (-math.inf, math.inf, "")
_Where = tuple[str | int, ...]


def require_sound(request: msgspec.Struct) -> None:
    """Refuse a quantity that cannot be, by its place in the request.

    Raises
    ------
    CalibrationError
        A quantity out of its range, or nutrients that come to more than the product.
    """
    for where, part in _parts(request, ()):
        if isinstance(part, Quantity):
            _require_in_range(part, where)
        elif isinstance(part, Analysis):
            _require_a_whole(part, where)


def _require_in_range(quantity: Quantity, where: _Where) -> None:
    name = str(where[-1])
    low, high, allowed = _RANGES.get(name, _ANY)
    if not low <= quantity.si <= high:
        message = f"{name} cannot be {quantity}"
        raise CalibrationError(f"bad_{name}", message, where=where, given=quantity, allowed=allowed)


def _require_a_whole(analysis: Analysis, where: _Where) -> None:
    total = sum(one.si for one in (analysis.nitrogen, analysis.phosphate, analysis.potash) if one is not None)
    if total > 1.0 + 1e-9:
        message, allowed = "the nutrients come to more than the product", "100 % together"
        raise CalibrationError("bad_analysis", message, where=where, given=f"{100 * total:g} %", allowed=allowed)


def _parts(value: Any, where: _Where) -> Iterator[tuple[_Where, msgspec.Struct]]:
    """Every struct in a value with its place, the inner ones first."""
    if isinstance(value, msgspec.Struct):
        rows: Any = [] if isinstance(value, Quantity) else [(n, getattr(value, n)) for n in value.__struct_fields__]
    else:
        rows = enumerate(value) if isinstance(value, list) else []
    for name, inner in rows:
        yield from _parts(inner, (*where, name))
    if isinstance(value, msgspec.Struct):
        yield where, value
