"""Spreadsheet files (XLSX): written with the same bytes every time, and read with care.

A file is looked at before anything reads it: how much it would inflate to, and how far its cells reach. What is read is
a copy that holds no more than was looked at.
"""

import io
import re
import zipfile
import zlib
from collections.abc import Mapping
from datetime import UTC, date, datetime
from importlib import import_module
from pathlib import Path
from typing import Any, Final

from catchpan.errors import NotInstalledError, TableError
from catchpan.fleet.leaves import plain
from catchpan.fleet.reading import Grid
from catchpan.fleet.writing import Lines

MOST_BYTES: Final = 200_000_000
MOST_PARTS: Final = 1000
MOST_LINES: Final = 100_000
MOST_COLUMNS: Final = 500
_INSTALL: Final = "spreadsheet files need more: pip install 'catchpan[tables]', or use CSV files in a folder"
_DAY: Final = datetime(2000, 1, 1, tzinfo=UTC).replace(tzinfo=None)
_PLACE: Final = re.compile(rb"""\sr\s*=\s*["']([A-Za-z]*)([0-9]+)["']""")
_SHEET: Final = re.compile(r"xl/worksheets/.*\.xml", re.IGNORECASE)


def write_workbook(path: Path, sheets: Mapping[str, Lines]) -> None:
    """One sheet for each name; text is never a formula, a link or a number."""
    plain_text = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    made = io.BytesIO()
    book = _writer().Workbook(made, plain_text | {"in_memory": True})
    book.set_properties({"created": _DAY})
    for name, lines in sheets.items():
        _fill(book.add_worksheet(name), lines)
    book.close()
    try:
        path.write_bytes(made.getvalue())
    except OSError as error:
        raise TableError(f"{path}: {error.strerror}") from error


def _fill(sheet: Any, lines: Lines) -> None:
    for row, line in enumerate(lines):
        for column, cell in enumerate(line):
            if isinstance(cell, str):
                if cell:
                    sheet.write_string(row, column, cell)
            elif float(f"{cell:.16G}") == cell:
                sheet.write_number(row, column, cell)
            else:  # sixteen digits are written of a number: one that needs more is text
                sheet.write_string(row, column, plain(cell))


def read_workbook(path: Path) -> dict[str, Grid]:
    """The lines of every sheet by its name; TableError for what is no spreadsheet, or larger than any fleet's."""
    calamine = _reader()
    copy = _looked_at(path)
    try:
        book = calamine.CalamineWorkbook.from_filelike(copy)
        return {
            name: Grid(f"{path.name}, sheet {name}", _lines(book.get_sheet_by_name(name))) for name in book.sheet_names
        }
    except BaseException as error:
        if isinstance(error, Exception) or type(error).__name__ == "PanicException":  # how a library of Rust gives up
            raise TableError(f"{path.name}: this is no spreadsheet file (XLSX): {error}") from error
        raise


def _lines(sheet: Any) -> list[tuple[int, list[str]]]:
    rows = sheet.to_python(skip_empty_area=False)
    return [(number, [_text(cell) for cell in row]) for number, row in enumerate(rows, start=1)]


def _text(cell: Any) -> str:
    if isinstance(cell, bool):
        return str(cell).lower()
    if isinstance(cell, int | float):
        return plain(cell)
    return cell.isoformat() if isinstance(cell, date) else str(cell)


def _looked_at(path: Path) -> io.BytesIO:
    """A copy of a file, with all its parts inflated; TableError if that is more than a fleet's."""
    copy = io.BytesIO()
    try:
        with zipfile.ZipFile(path) as given, zipfile.ZipFile(copy, "w") as kept:
            _require_modest(path.name, given.infolist())
            for part in given.infolist():
                with given.open(part) as inflating:
                    body = inflating.read(part.file_size)  # no more than it says, whatever it would inflate to
                if _SHEET.fullmatch(part.filename):
                    _require_near(path.name, part.filename, body)
                kept.writestr(part.filename, body)
    except OSError as error:
        raise TableError(f"{path}: {error.strerror or error}") from error
    except TableError:
        raise
    # A cut or altered file; RuntimeError for a part that is encrypted, or packed in a way that is not known.
    except (zipfile.BadZipFile, RuntimeError, EOFError, ValueError, zlib.error) as error:
        raise TableError(f"{path.name}: this is no spreadsheet file (XLSX): {error}") from error
    copy.seek(0)
    return copy


def _require_modest(name: str, parts: list[zipfile.ZipInfo]) -> None:
    inflated = sum(part.file_size for part in parts)
    if len(parts) > MOST_PARTS or inflated > MOST_BYTES:
        raise TableError(
            f"{name}: it would inflate to {inflated / 1e6:,.0f} MB in {len(parts):,} parts; a fleet's file has at most"
            f" {MOST_BYTES / 1e6:.0f} MB in {MOST_PARTS:,}, so it is not read"
        )


def _require_near(name: str, part: str, body: bytes) -> None:
    """Cells far away make a table of all the cells before them."""
    if b"\x00" in body:
        raise TableError(f"{name}: {part} is not UTF-8, so it is not read")
    for letters, digits in set(_PLACE.findall(body)):
        if len(digits) > 9 or int(digits) > MOST_LINES or _column(letters) > MOST_COLUMNS:
            place = (letters + digits[:12]).decode()
            raise TableError(
                f"{name}: {part} reaches to {place}; a fleet's sheet has at most {MOST_LINES:,} lines and"
                f" {MOST_COLUMNS} columns, so it is not read"
            )


def _column(letters: bytes) -> int:
    number = 0
    for letter in letters.upper()[:8]:
        number = number * 26 + letter - 64
    return number


def _writer() -> Any:
    try:
        return import_module("xlsxwriter")
    except ModuleNotFoundError as error:
        raise NotInstalledError(_INSTALL) from error


def _reader() -> Any:
    try:
        return import_module("python_calamine")
    except ModuleNotFoundError as error:
        raise NotInstalledError(_INSTALL) from error
