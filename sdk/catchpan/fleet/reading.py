"""Rows of a sheet to what they mean; everything that is wrong is told, by file, line and column.

The first line is the header. Quantities have their unit in it, as in ``bag [lb]``, or in the cell, as in ``4 lb 6 oz``.
A column ``mark`` may stand before the others: the line below the header that is marked ``units`` names the unit of each
column of quantities, and lines that are marked ``example`` are passed over.
"""

import re
from collections.abc import Iterator
from typing import Any, NamedTuple

import msgspec

from catchpan.cells import Cell, header
from catchpan.errors import TableError
from catchpan.fleet.leaves import quantity_of, read
from catchpan.fleet.sheets import Column, Path, Sheet
from catchpan.quantities import units

MARK = "mark"
UNITS = "units"
EXAMPLE = "example"
_AT = re.compile(r" - at `\$(?P<path>[^`]*)`$")
_STEP = re.compile(r"\.(?P<name>\w+)|\[(?P<index>\d+)\]")
_MISSING = re.compile(r"missing required field `(?P<name>\w+)`")
_COMMAS = "write numbers with a decimal point, and a text that holds a comma in quotation marks"
_NAMES = ("name", "branch", "machine_kind", "machine", "profile")


class Grid(NamedTuple):
    """The lines of a file or sheet: what to call it, and its cells as text by line number."""

    file: str
    lines: list[tuple[int, list[str]]]


class Line(NamedTuple):
    """One line that can be read: what it means, and where its cells stand."""

    value: Any
    cells: dict[Path, Cell]
    columns: dict[Path, Column]

    def refuse(self, where: Path, why: str) -> str:
        """What is wrong at a place of its value, by file, line and column."""
        return str(_nearest(self.cells, where).refuse(why))


class Read(NamedTuple):
    """What was read of a sheet, and every fault."""

    lines: list[Line]
    wrong: list[str]


class _Header(NamedTuple):
    columns: list[Column | None]  # None for the marks
    units: list[str | None]
    shown: list[str]


def read_grid(sheet: Sheet, grid: Grid) -> Read:
    """The lines of a sheet that are good, and what is wrong with the others."""
    filled = [(number, cells) for number, cells in grid.lines if any(cell.strip() for cell in cells)]
    if not filled:
        return Read([], [f"{grid.file}: there is nothing in it, not even a header"])
    try:
        head, below = _header(sheet, grid.file, filled)
    except TableError as error:
        return Read([], [str(error)])
    found, wrong = [], []
    for number, cells in below:
        try:
            line = _line(sheet, grid.file, number, cells, head)
        except _Faults as faults:
            wrong += faults.told
        else:
            found += [] if line is None else [line]
    return Read(found, wrong)


class _Faults(Exception):
    """What is wrong in one line."""

    def __init__(self, told: list[str]) -> None:
        super().__init__()
        self.told = told


def _header(
    sheet: Sheet, file: str, filled: list[tuple[int, list[str]]]
) -> tuple[_Header, list[tuple[int, list[str]]]]:
    """The header, with what a line of units says, and the lines below."""
    known = {column.name: column for column in sheet.columns}
    needed = tuple(column.name for column in sheet.columns if column.needed)

    def wrong(name: str) -> str | None:
        some = [one.name for one in sheet.columns if not one.further]
        return None if name in known or name == MARK else f"{sheet.title} have {', '.join(some)}"

    number, cells = filled[0]
    while cells and not cells[-1].strip():
        cells = cells[:-1]
    names = header(file, (number, cells), wrong, needed)
    head = _Header(
        [known.get(name) for name, _, _ in names], [unit for _, unit, _ in names], [one for *_, one in names]
    )
    below = filled[1:]
    if below and _marked(head, below[0][1]) == UNITS:
        head = _with_units(head, file, *below[0])
        below = below[1:]
    for column, unit, shown in zip(*head, strict=True):
        _require_unit(column, unit, f"{file}, line {number}, column {shown!r}")
    return head, below


def _marked(head: _Header, cells: list[str]) -> str:
    """The mark of a line, empty for none."""
    return next((cell.strip().lower() for column, cell in zip(head.columns, cells, strict=False) if column is None), "")


def _with_units(head: _Header, file: str, number: int, cells: list[str]) -> _Header:
    found = list(head.units)
    padded = [*cells, *[""] * len(head.columns)]
    for index, (column, unit) in enumerate(zip(head.columns, head.units, strict=True)):
        said = padded[index].strip()
        if column is None or quantity_of(column.kind) is None or not said:
            continue
        if unit not in {None, said}:
            where = f"{file}, line {number}, column {head.shown[index]!r}"
            raise TableError(f"{where}: the header says {unit}, the line of units {said}")
        found[index] = said
    return head._replace(units=found)


def _require_unit(column: Column | None, unit: str | None, where: str) -> None:
    kind = None if column is None else quantity_of(column.kind)
    if unit is None or (kind is not None and unit in units(kind)):
        return
    allowed = "it has no unit" if kind is None else f"allowed for {kind.dimension}: {', '.join(units(kind))}"
    raise TableError(f"{where}: {unit!r} cannot be its unit; {allowed}")


def _line(sheet: Sheet, file: str, number: int, cells: list[str], head: _Header) -> Line | None:
    """What one line means; None for an example."""
    extra = [cell for cell in cells[len(head.columns) :] if cell.strip()]
    if extra:
        raise _Faults([f"{file}, line {number}: {len(cells)} cells for {len(head.columns)} columns; {_COMMAS}"])
    padded = [*cells, *[""] * len(head.columns)]
    mark = _marked(head, padded)
    if mark == EXAMPLE:
        return None
    if mark:
        raise _Faults(
            [f"{file}, line {number}, column 'mark': it is {EXAMPLE}, or empty; units stand below the header"]
        )
    placed = {
        column.path: Cell(file, number, shown, unit, text)
        for (column, unit, shown), text in zip(zip(*head, strict=True), padded, strict=False)
        if column is not None
    }
    columns = {column.path: column for column in head.columns if column is not None}
    document = _document(placed, columns)
    return Line(_converted(sheet, document, placed), placed, columns)


def _document(placed: dict[Path, Cell], columns: dict[Path, Column]) -> dict[str, Any]:
    """The filled cells of a line as JSON has them, or all that is wrong with them."""
    found: dict[Path, Any] = {}
    wrong: list[str] = []
    for path, cell in placed.items():
        if not (cell.text.strip() or (cell.text and columns[path].kind is str and path[-1] not in _NAMES)):
            if columns[path].needed:
                wrong.append(str(cell.refuse("every line needs it")))
            continue
        try:
            _require_no_blank(path, cell)
            found[path] = read(columns[path].kind, cell)
        except TableError as error:
            wrong.append(str(error))
    if wrong:
        raise _Faults(wrong)
    return _nested(found, placed)


def _require_no_blank(path: Path, cell: Cell) -> None:
    if path[-1] in _NAMES and cell.text != cell.text.strip():
        raise cell.refuse(f"{cell.text!r} begins or ends with a blank; take it away")


def _nested(found: dict[Path, Any], placed: dict[Path, Cell]) -> dict[str, Any]:
    """Members within members; entries of a list are filled from the first on."""
    document: dict[Any, Any] = {}
    for path, value in found.items():
        inner = document
        for step in path[:-1]:
            inner = inner.setdefault(step, {})
        inner[path[-1]] = value
    made: dict[str, Any] = _listed(document, (), placed)
    return made


def _listed(document: Any, path: Path, placed: dict[Path, Cell]) -> Any:
    if not isinstance(document, dict) or not document:
        return document
    if not all(isinstance(name, int) for name in document):
        return {name: _listed(inner, (*path, name), placed) for name, inner in document.items()}
    if sorted(document) != list(range(len(document))):
        last = max(document)
        raise _Faults([str(_nearest(placed, (*path, last)).refuse(f"fill the columns of number {last} first"))])
    return [_listed(document[index], (*path, index), placed) for index in sorted(document)]


def _converted(sheet: Sheet, document: dict[str, Any], placed: dict[Path, Cell]) -> Any:
    try:
        return msgspec.convert(document, sheet.kind)
    except msgspec.ValidationError as error:
        text = str(error)
        at = _AT.search(text)
        where = tuple(_steps(at["path"])) if at else ()
        why = _AT.sub("", text)
        if missing := _MISSING.search(why):
            where, why = (*where, missing["name"]), "this is needed, where the columns beside it are filled"
        raise _Faults([str(_nearest(placed, where).refuse(_in_words(why)))]) from error


def _in_words(why: str) -> str:
    return why.replace("`", "").replace("Expected str", "expected text").replace("Expected datetime", "expected a time")


def _steps(path: str) -> Iterator[str | int]:
    for match in _STEP.finditer(path):
        yield match["name"] or int(match["index"])


def _nearest(placed: dict[Path, Cell], where: Path) -> Cell:
    """The cell that a place in a value is of: the one whose path goes along with it the furthest."""

    def along(path: Path) -> int:
        return next((n for n, (own, asked) in enumerate(zip(path, where, strict=False)) if own != asked),
                    min(len(path), len(where)))  # fmt: skip

    return placed[max(placed, key=along)]
