"""Files of a fleet: a folder with a CSV file for each sheet, or one spreadsheet file (XLSX)."""

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final, NamedTuple

from catchpan.cells import lines
from catchpan.errors import TableError
from catchpan.fleet.leaves import Value, plain
from catchpan.fleet.reading import Grid, Line, read_grid
from catchpan.fleet.sheets import SHEETS, Sheet
from catchpan.fleet.workbooks import read_workbook, write_workbook
from catchpan.fleet.writing import Lines

XLSX: Final = ".xlsx"
CSV: Final = ".csv"


class Fleet(NamedTuple):
    """What was read: the lines of each sheet by its name, and everything that is wrong."""

    lines: dict[str, list[Line]]
    wrong: list[str]


def read_files(paths: Sequence[Path]) -> Fleet:
    """The lines of some files, each named as its sheet or holding such sheets; a folder stands for its CSV files."""
    found: dict[str, list[Line]] = {sheet.name: [] for sheet in SHEETS}
    wrong: list[str] = []
    for path in _each(paths):
        try:
            for sheet, grid in _grids(path):
                read = read_grid(sheet, grid)
                found[sheet.name] += read.lines
                wrong += read.wrong
        except TableError as error:
            wrong.append(str(error))
    return Fleet(found, wrong)


def write_files(place: Path, sheets: Mapping[str, Lines]) -> list[Path]:
    """Write sheets into a folder, or into one spreadsheet file; where they are."""
    if place.suffix.lower() == XLSX:
        write_workbook(place, {name.replace("_", " "): table for name, table in sheets.items()})
        return [place]
    try:
        place.mkdir(parents=True, exist_ok=True)
        made = [place / f"{name}{CSV}" for name in sheets]
        for path, table in zip(made, sheets.values(), strict=True):
            path.write_bytes(as_csv(table))
    except OSError as error:
        raise TableError(f"{place}: {error.strerror}") from error
    return made


def as_csv(table: Lines) -> bytes:
    """A table as CSV (RFC 4180) in UTF-8."""
    text = io.StringIO()
    csv.writer(text).writerows([[_text(cell) for cell in line] for line in table])
    return text.getvalue().encode()


def _text(cell: Value) -> str:
    return cell if isinstance(cell, str) else plain(cell)


def _each(paths: Sequence[Path]) -> Iterator[Path]:
    for path in paths:
        if path.is_dir():
            yield from (found for sheet in SHEETS if (found := path / f"{sheet.name}{CSV}").is_file())
        else:
            yield path


def _grids(path: Path) -> Iterator[tuple[Sheet, Grid]]:
    if path.suffix.lower() == XLSX:
        for name, grid in read_workbook(path).items():
            yield _sheet(name, grid.file), grid
    else:
        yield _sheet(path.stem, path.name), Grid(path.name, lines(path))


def _sheet(name: str, file: str) -> Sheet:
    for sheet in SHEETS:
        if name.strip().lower().replace(" ", "_") == sheet.name:
            return sheet
    known = ", ".join(sheet.name for sheet in SHEETS)
    raise TableError(f"{file}: its name does not say what is in it; name it one of {known}")
