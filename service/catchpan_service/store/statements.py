"""Conditions of the statements that every module builds once, when it is imported.

Building a statement costs more than running it on a key, so nothing is built per call.
"""

from collections.abc import Iterable, Iterator
from typing import Any, Final, TypeVar
from uuid import UUID

from sqlalchemy import ColumnElement, Table, bindparam

T = TypeVar("T")

CHUNK: Final = 500
"""Values in one ``IN``: no database refuses so many."""


def owned(table: Table, *columns: str) -> tuple[ColumnElement[bool], ...]:
    """The organisation's rows with given values in ``columns``; the values go in by ``of``."""
    return tuple(table.c[name] == bindparam(f"of_{name}") for name in ("organisation", *columns))


def of(organisation: UUID, **columns: Any) -> dict[str, Any]:
    """The values for the conditions of ``owned``."""
    return {"of_organisation": organisation} | {f"of_{name}": value for name, value in columns.items()}


def chunks(values: Iterable[T]) -> Iterator[list[T]]:
    """Values in lists that one ``IN`` takes."""
    left = list(values)
    for start in range(0, len(left), CHUNK):
        yield left[start : start + CHUNK]
