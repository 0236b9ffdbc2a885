"""Catch files and pan files: CSV with a header; quantities carry their unit in the header or in the cell.

A catch file has the columns ``opening``, ``duration`` and ``mass`` (or ``gross`` and ``tare``), and may have
``stream``, ``gates`` and ``note``. A pan file has ``position`` and a column for each row of pans, ``row 1``,
``row 2`` …, with the word ``opposite`` for a row that was driven the other way. A unit stands in brackets behind the
name, as in ``mass [lb]``, or behind the number in the cell. An empty pan cell is a pan that was not there; an empty
pan has mass 0.
"""

import csv
import io
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

import msgspec

from catchpan.contract.curves import Catch
from catchpan.contract.overlaps import PanRow
from catchpan.errors import QuantityError, TableError
from catchpan.quantities import Length, Lengths, Mass, Masses, Quantity, Ratio, Time, parse

Q = TypeVar("Q", bound=Quantity)
_COLUMN = re.compile(r"\s*(?P<name>[^\[\]]*?)\s*(?:\[\s*(?P<unit>[^\[\]]*?)\s*\])?\s*")
_CATCH_COLUMNS: dict[str, type[Quantity] | None] = {
    "opening": Ratio, "mass": Mass, "gross": Mass, "tare": Mass, "duration": Time,
    "stream": None, "gates": None, "note": None,
}  # fmt: skip
_PAN_ROW = re.compile(r"row \d+( opposite)?")


class Cell(NamedTuple):
    """One cell of a file, and where it stands."""

    file: str
    line: int
    column: str
    unit: str | None
    text: str

    def refuse(self, why: str) -> TableError:
        """The error that names this cell."""
        return TableError(f"{self.file}, line {self.line}, column {self.column!r}: {why}")

    def read(self, kind: type[Q]) -> Q:
        """The quantity in this cell."""
        try:
            return parse(kind, self.text, self.unit)
        except QuantityError as error:
            raise self.refuse(str(error)) from error


Row = dict[str, Cell]


def read_catches(path: Path) -> list[Catch]:
    """The catches of a catch file, in its order; TableError names file, line and column of what cannot be read."""
    return [_catch(row) for row in _rows(path, _catch_column, needed=("opening", "duration"))]


def read_pans(path: Path, *, passes: int = 1) -> tuple[Lengths, list[PanRow]]:
    """Positions and rows of a pan file, each row driven ``passes`` times before it was weighed."""
    lines = list(_rows(path, _pan_column, needed=("position",)))
    names = [name for name in lines[0] if name != "position"]
    if not names:
        raise TableError(f"{path.name}: no pans: a column 'position' and a column 'row 1' are needed")
    unit, positions = _in_one_unit([line["position"] for line in lines], Length)
    rows = []
    for name in names:
        own, masses = _in_one_unit([line[name] for line in lines], Mass)
        heading: Any = "opposite" if name.endswith("opposite") else "same"
        rows.append(PanRow(masses=Masses(masses, own), passes=passes, heading=heading))  # type: ignore[arg-type]
    if None in positions:
        raise lines[positions.index(None)]["position"].refuse("a pan needs a position")
    return Lengths(positions, unit), rows  # type: ignore[arg-type]


def _in_one_unit(cells: list[Cell], kind: type[Quantity]) -> tuple[str, list[float | None]]:
    read = [cell.read(kind) if cell.text else None for cell in cells]
    unit = next((one.unit for one in read if one is not None), next(iter(kind.factors)))
    return unit, [None if one is None else one.to(unit) for one in read]


def _catch(row: Row) -> Catch:
    fields: dict[str, Any] = {}
    for name, cell in row.items():
        kind = _CATCH_COLUMNS[name]
        if cell.text:
            fields[name] = cell.text if kind is None else msgspec.to_builtins(cell.read(kind))
        elif name in ("opening", "duration"):
            raise cell.refuse(f"every catch needs its {name}")
    if "mass" not in fields and not {"gross", "tare"} <= set(fields):
        some = next(iter(row.values()))
        raise TableError(f"{some.file}, line {some.line}: a catch needs a mass, or gross and tare")
    return _converted(fields, row)


def _converted(fields: dict[str, Any], row: Row) -> Catch:
    try:
        return msgspec.convert(fields, Catch)
    except msgspec.ValidationError as error:
        name = next((name for name in fields if f"$.{name}" in str(error)), "opening")
        allowed = {"stream": "steady, pulsing or stopped", "gates": "both, left or right"}.get(name, str(error))
        raise row[name].refuse(f"{row[name].text!r} is not allowed: write {allowed}") from error


def _catch_column(name: str) -> str | None:
    """What is wrong with a column of a catch file, or None."""
    return None if name in _CATCH_COLUMNS else f"allowed are {', '.join(_CATCH_COLUMNS)}"


def _pan_column(name: str) -> str | None:
    """What is wrong with a column of a pan file, or None."""
    good = name == "position" or _PAN_ROW.fullmatch(name)
    return None if good else "allowed are position, row 1, row 2 … and row 2 opposite"


def _rows(path: Path, wrong: Callable[[str], str | None], needed: tuple[str, ...]) -> Iterator[Row]:
    filled = [(number, cells) for number, cells in _lines(path) if any(cell.strip() for cell in cells)]
    if not filled:
        raise TableError(f"{path.name}: the file is empty")
    header = _header(path.name, filled[0], wrong, needed)
    if len(filled) == 1:
        raise TableError(f"{path.name}, line {filled[0][0]}: nothing stands below the header")
    for number, cells in filled[1:]:
        if len(cells) != len(header):
            raise TableError(
                f"{path.name}, line {number}: {len(cells)} cells for {len(header)} columns; "
                "write numbers with a decimal point, and a text that holds a comma in quotation marks"
            )
        yield {
            name: Cell(path.name, number, shown, unit, text.strip())
            for (name, unit, shown), text in zip(header, cells, strict=True)
        }


def _lines(path: Path) -> list[tuple[int, list[str]]]:
    reader = csv.reader(io.StringIO(_text(path), newline=""))
    try:
        return [(reader.line_num, cells) for cells in reader]
    except csv.Error as error:
        raise TableError(f"{path.name}, line {reader.line_num}: this is no CSV file ({error})") from error


def _text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise TableError(f"{path}: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise TableError(f"{path.name}: save the file as CSV in UTF-8 (byte {error.start} is not)") from error


def _header(
    file: str, line: tuple[int, list[str]], wrong: Callable[[str], str | None], needed: tuple[str, ...]
) -> list[tuple[str, str | None, str]]:
    number, cells = line
    for mark, word in ((";", "semicolons"), ("\t", "tabs")):
        if mark in cells[0]:
            raise TableError(f"{file}, line {number}: separated by {word}; save the file with commas")
    header = []
    for cell in cells:
        match = _COLUMN.fullmatch(cell)
        name = match["name"].lower() if match else cell
        if reason := wrong(name):
            raise TableError(f"{file}, line {number}: column {cell.strip()!r} is not known; {reason}")
        header.append((name, match["unit"] if match else None, cell.strip()))
    names = [name for name, _, _ in header]
    for name in needed:
        if name not in names:
            raise TableError(f"{file}, line {number}: the column {name!r} is missing")
    for name in names:
        if names.count(name) > 1:
            raise TableError(f"{file}, line {number}: the column {name!r} stands twice")
    return header
