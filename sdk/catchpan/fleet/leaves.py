"""Single cells: text to a member of a wire type, and back without loss."""

import types
from collections.abc import Callable
from datetime import datetime
from typing import Annotated, Any, Final, Union, get_args, get_origin

import msgspec

from catchpan.cells import Cell, meant
from catchpan.errors import QuantityError
from catchpan.quantities import Quantity, Time, Times, parse, units

Value = str | float
"""What stands in a cell: text, or a number."""

NUMBERS: Final = list[int]
_ARRAYS: Final[dict[Any, type[Quantity]]] = {Times: Time}
_BOOLEANS: Final = {"true": True, "yes": True, "false": False, "no": False}


def bare(hint: Any) -> Any:
    """A type without its limits and without None."""
    if get_origin(hint) is Annotated:
        return bare(get_args(hint)[0])
    if get_origin(hint) in (Union, types.UnionType):
        return bare(next(part for part in get_args(hint) if part not in (types.NoneType, msgspec.UnsetType)))
    return hint


def quantity_of(kind: Any) -> type[Quantity] | None:
    """The quantity that a cell holds one or several of, if it does."""
    if isinstance(kind, type) and issubclass(kind, Quantity):
        return kind
    return _ARRAYS.get(kind)


def is_leaf(kind: Any) -> bool:
    """Whether a member is one cell."""
    return quantity_of(kind) is not None or not (isinstance(kind, type) and issubclass(kind, msgspec.Struct))


def plain(value: float) -> str:
    """A number as text that reads back as the same number."""
    return repr(float(value)).removesuffix(".0")


def unit_in(kind: Any, value: Any) -> str | None:
    """The unit of a value that has one."""
    return None if value is None or quantity_of(kind) is None else value.unit


def write(kind: Any, value: Any, unit: str | None) -> Value:
    """A value as a cell of a column with a unit; empty text for None."""
    if value is None:
        return ""
    if kind in _ARRAYS:
        behind = "" if value.unit == unit else f" {value.unit}"
        return "; ".join(f"{plain(one)}{behind}" for one in value.values)
    if quantity_of(kind) is not None:
        return float(value.value) if value.unit == unit else f"{plain(value.value)} {value.unit}"
    return _plain(value)


def _plain(value: Any) -> Value:
    """A value without a unit as a cell."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return float(value)
    if isinstance(value, list):
        return ", ".join(map(str, value))
    return str(msgspec.to_builtins(value))


def read(kind: Any, cell: Cell) -> Any:
    """What a cell means, as JSON has it; TableError."""
    wanted = quantity_of(kind)
    if wanted is not None:
        return _quantities(wanted, cell) if kind in _ARRAYS else _quantity(wanted, cell)
    reader = _READERS.get(kind) or _READERS.get(get_origin(kind), _text)
    return reader(cell)


def _quantity(kind: type[Quantity], cell: Cell) -> Any:
    try:
        return msgspec.to_builtins(parse(kind, meant(cell.text.strip()), cell.unit))
    except QuantityError as error:
        raise cell.refuse(str(error)) from error


def _quantities(kind: type[Quantity], cell: Cell) -> Any:
    parts = [_quantity(kind, cell._replace(text=part)) for part in meant(cell.text.strip()).split(";")]
    if len({part["unit"] for part in parts}) != 1:
        raise cell.refuse(f"write all of them in one unit, one of {', '.join(units(kind))}")
    return {"values": [part["value"] for part in parts], "unit": parts[0]["unit"]}


def _boolean(cell: Cell) -> bool:
    found = _BOOLEANS.get(cell.text.strip().lower())
    if found is None:
        raise cell.refuse(f"{cell.text!r} is neither true nor false")
    return found


def _number(cell: Cell) -> float:
    try:
        value = float(meant(cell.text.strip()))
    except ValueError as error:
        raise cell.refuse(f"{cell.text!r} is no number; write it with a decimal point and without a unit") from error
    if abs(value) > 1e300 or value != value:  # noqa: PLR0124 - NaN alone differs from itself
        raise cell.refuse(f"{cell.text!r} is no number that can be stored")
    return int(value) if value.is_integer() and abs(value) < 2**53 else value


def _words(cell: Cell) -> list[str]:
    first, *others = meant(cell.text).split(",")
    return [first, *(one.removeprefix(" ") for one in others)]


def _numbers(cell: Cell) -> list[float]:
    return [_number(cell._replace(text=part)) for part in meant(cell.text).split(",")]


def _text(cell: Cell) -> str:
    return meant(cell.text)


def _moment(cell: Cell) -> str:
    return meant(cell.text.strip())


_READERS: Final[dict[Any, Callable[[Cell], Any]]] = {
    bool: _boolean,
    int: _number,
    float: _number,
    list: _words,
    NUMBERS: _numbers,
    datetime: _moment,
}
