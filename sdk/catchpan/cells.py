"""Rows and cells of a CSV file with a header, each knowing where it stands."""

import csv
import io
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final, NamedTuple, TypeVar

from catchpan.errors import QuantityError, TableError
from catchpan.quantities import Quantity, parse

HARMFUL: Final = ("=", "+", "-", "@", "\t", "\r")
"""A spreadsheet takes text that begins so for a formula."""

Q = TypeVar("Q", bound=Quantity)
_COLUMN = re.compile(r"\s*(?P<name>[^\[\]]*?)\s*(?:\[\s*(?P<unit>[^\[\]]*?)\s*\])?\s*")


def harmless(text: str) -> str:
    """Text that no spreadsheet takes for a formula: an apostrophe stands before what could be taken for one."""
    return f"'{text}" if text.lstrip("'").startswith(HARMFUL) else text


def meant(text: str) -> str:
    """The text that ``harmless`` was given."""
    return text[1:] if text.startswith("'") and text.lstrip("'").startswith(HARMFUL) else text


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


def in_one_unit(cells: list[Cell], kind: type[Quantity]) -> tuple[str, list[float | None]]:
    """The cells of a column in the unit of the first, None for an empty one."""
    read = [cell.read(kind) if cell.text else None for cell in cells]
    unit = next((one.unit for one in read if one is not None), next(iter(kind.factors)))
    return unit, [None if one is None else one.to(unit) for one in read]


def rows(path: Path, wrong: Callable[[str], str | None], needed: tuple[str, ...]) -> Iterator[Row]:
    """The rows below the header; ``wrong`` says what is wrong with a column's name, ``needed`` which must be there."""
    filled = [(number, cells) for number, cells in lines(path) if any(cell.strip() for cell in cells)]
    if not filled:
        raise TableError(f"{path.name}: the file is empty")
    columns = header(path.name, filled[0], wrong, needed)
    if len(filled) == 1:
        raise TableError(f"{path.name}, line {filled[0][0]}: nothing stands below the header")
    for number, cells in filled[1:]:
        if len(cells) != len(columns):
            raise TableError(
                f"{path.name}, line {number}: {len(cells)} cells for {len(columns)} columns; "
                "write numbers with a decimal point, and a text that holds a comma in quotation marks"
            )
        yield {
            name: Cell(path.name, number, shown, unit, text.strip())
            for (name, unit, shown), text in zip(columns, cells, strict=True)
        }


def lines(path: Path) -> list[tuple[int, list[str]]]:
    """Every line of a file with its number; TableError for what is no CSV."""
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


def header(
    file: str, line: tuple[int, list[str]], wrong: Callable[[str], str | None], needed: tuple[str, ...]
) -> list[tuple[str, str | None, str]]:
    """Name, unit and text of each column of a header; TableError as of ``rows``."""
    number, cells = line
    for mark, word in ((";", "semicolons"), ("\t", "tabs")):
        if mark in cells[0]:
            raise TableError(f"{file}, line {number}: separated by {word}; save the file with commas")
    found = []
    for cell in cells:
        match = _COLUMN.fullmatch(cell)
        name = match["name"].lower() if match else cell
        if reason := wrong(name):
            raise TableError(f"{file}, line {number}: column {cell.strip()!r} is not known; {reason}")
        found.append((name, match["unit"] if match else None, cell.strip()))
    names = [name for name, _, _ in found]
    for name in needed:
        if name not in names:
            raise TableError(f"{file}, line {number}: the column {name!r} is missing")
    for name in names:
        if names.count(name) > 1:
            raise TableError(f"{file}, line {number}: the column {name!r} stands twice")
    return found
