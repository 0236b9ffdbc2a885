"""In which form an answer is wanted: JSON, and for lists CSV and XLSX, which spreadsheets read."""

import csv
import io
import re
from collections.abc import Iterator, Sequence
from datetime import datetime
from functools import cache
from typing import Any, Final, get_args, get_origin, get_type_hints

import msgspec
import xlsxwriter

from catchpan.cells import harmless

JSON: Final = "application/json"
CSV: Final = "text/csv"
XLSX: Final = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
OF_LISTS: Final = (JSON, CSV, XLSX)

_CREATED: Final = datetime(2026, 1, 1)  # noqa: DTZ001 - a spreadsheet knows no zones
_RANGE = re.compile(r"\s*([\w!#$&^.+*-]+/[\w!#$&^.+*-]+)\s*(?:;(.*))?")
_QUALITY = re.compile(r"\bq\s*=\s*([01](?:\.\d{0,3})?)")


def chosen(accept: str | None, offered: Sequence[str]) -> str | None:
    """The offered media type that a caller likes best (RFC 9110, 12.5.1), the first of equals; None for none."""
    if not accept or not accept.strip():
        return offered[0]
    ranges = [(match[1].lower(), _quality(match[2])) for part in accept.split(",") if (match := _RANGE.match(part))]
    best = max(offered, key=lambda media: _liking(media, ranges))
    return best if _liking(best, ranges) > 0 else None


def _quality(parameters: str | None) -> float:
    match = _QUALITY.search(parameters or "")
    return 1.0 if match is None else float(match[1])


def _liking(media: str, ranges: Sequence[tuple[str, float]]) -> float:
    """The quality that the narrowest range gives a media type."""
    wide = (media, f"{media.split('/', maxsplit=1)[0]}/*", "*/*")
    found = [(wide.index(name), quality) for name, quality in ranges if name in wide]
    return min(found, key=lambda one: (one[0], -one[1]))[1] if found else 0.0


@cache
def is_list(answer: Any) -> bool:
    """Whether an answer is a page of a list: those have a form for spreadsheets."""
    kind = get_args(answer)[0] if get_args(answer) else answer
    fields = getattr(kind, "__struct_fields__", ())
    return tuple(fields) == ("items", "next")


def table(page: msgspec.Struct) -> bytes:
    """The items of a page as CSV (RFC 4180): a column for each member, two for a quantity."""
    text = io.StringIO()
    header, *rows = _rows(page)
    written = csv.writer(text)
    written.writerow(header)
    written.writerows([harmless(cell) if isinstance(cell, str) else cell for cell in row] for row in rows)
    return text.getvalue().encode()


def workbook(page: msgspec.Struct) -> bytes:
    """The same as XLSX (ECMA-376), one sheet: text stays text, numbers are numbers; the same bytes every time."""
    file = io.BytesIO()
    with xlsxwriter.Workbook(file, {"in_memory": True}) as book:
        book.set_properties({"created": _CREATED})
        sheet = book.add_worksheet()
        for number, row in enumerate(_rows(page)):
            for column, cell in enumerate(row):
                (sheet.write_string if isinstance(cell, str) else sheet.write)(number, column, cell)
    return file.getvalue()


def _rows(page: msgspec.Struct) -> Iterator[list[Any]]:
    """The header, and a row of cells for each item of a page."""
    (item,) = get_args(get_type_hints(type(page))["items"])
    found = list(columns(item))
    yield [".".join(path) for path in found]
    for one in msgspec.to_builtins(getattr(page, "items")):  # noqa: B009 - not every struct has items
        yield [_cell(_at(one, path)) for path in found]


def columns(kind: type[msgspec.Struct]) -> Iterator[tuple[str, ...]]:
    """The paths of a struct's members, those of inner structs each by themselves."""
    hints = get_type_hints(kind)
    for name in kind.__struct_fields__:
        inner = _struct_in(hints[name])
        if inner is None:
            yield (name,)
        else:
            yield from ((name, *rest) for rest in columns(inner))


def _struct_in(hint: Any) -> type[msgspec.Struct] | None:
    """The struct that a member is, or may be."""
    if isinstance(hint, type) and issubclass(hint, msgspec.Struct):
        return hint
    if get_origin(hint) is list:
        return None
    return next((found for part in get_args(hint) if (found := _struct_in(part)) is not None), None)


def _at(row: Any, path: tuple[str, ...]) -> Any:
    for name in path:
        row = row.get(name) if isinstance(row, dict) else None
    return row


def _cell(value: Any) -> Any:
    """A cell: numbers stay numbers, and lists are told as JSON."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return msgspec.json.encode(value).decode() if value else ""
    return value
