"""What is stored, as the lines of a sheet; an import of them changes nothing."""

from collections.abc import Sequence
from typing import Any

from catchpan.cells import harmless
from catchpan.fleet.leaves import Value, quantity_of, unit_in, write
from catchpan.fleet.reading import EXAMPLE, MARK, UNITS
from catchpan.fleet.sheets import Column, Sheet, value_at
from catchpan.quantities import units

Lines = list[list[Value]]


def written(sheet: Sheet, values: Sequence[Any]) -> Lines:
    """A header and a line for each value; further entries of lists have columns where something uses them.

    A column of quantities has the unit of its first one; one in another unit tells its own.
    """
    columns = [one for one in sheet.columns if not one.further or _is_used(one, values)]
    found = [_unit(one, values) for one in columns]
    head: list[Value] = [_shown(column, unit) for column, unit in zip(columns, found, strict=True)]
    return [head, *([_cell(one, value, unit) for one, unit in zip(columns, found, strict=True)] for value in values)]


def template(sheet: Sheet) -> Lines:
    """A header, a line that says what each column holds, and an invented example that an import passes over."""
    head, line = written(sheet, [sheet.example])
    shown = {_shown(one, _unit(one, [sheet.example])): one for one in sheet.columns}
    hints = [_hint(shown[str(name)], _unit(shown[str(name)], [sheet.example])) for name in head]
    return [[MARK, *head], [UNITS, *hints], [EXAMPLE, *line]]


def _is_used(column: Column, values: Sequence[Any]) -> bool:
    return any(value_at(value, column.path) is not None for value in values)


def _unit(column: Column, values: Sequence[Any]) -> str | None:
    kind = quantity_of(column.kind)
    if kind is None:
        return None
    found = [unit_in(column.kind, value_at(value, column.path)) for value in values]
    if "1" in found:  # a plain share cannot tell its unit behind the number
        return "1"
    return next((unit for unit in found if unit is not None), units(kind)[0])


def _shown(column: Column, unit: str | None) -> str:
    return column.name if unit is None else f"{column.name} [{unit}]"


def _cell(column: Column, value: Any, unit: str | None) -> Value:
    cell = write(column.kind, value_at(value, column.path), unit)
    return harmless(cell) if isinstance(cell, str) else cell


def _hint(column: Column, unit: str | None) -> str:
    if unit is not None:
        return unit
    return "number" if column.kind in (int, float) else "true or false" if column.kind is bool else "text"
