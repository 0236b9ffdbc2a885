"""Conditions of the statements that every module builds once, when it is imported.

Building a statement costs more than running it on a key, so nothing is built per call.
"""

from typing import Any
from uuid import UUID

from sqlalchemy import ColumnElement, Table, bindparam


def owned(table: Table, *columns: str) -> tuple[ColumnElement[bool], ...]:
    """The organisation's rows with given values in ``columns``; the values go in by ``of``."""
    return tuple(table.c[name] == bindparam(f"of_{name}") for name in ("organisation", *columns))


def of(organisation: UUID, **columns: Any) -> dict[str, Any]:
    """The values for the conditions of ``owned``."""
    return {"of_organisation": organisation} | {f"of_{name}": value for name, value in columns.items()}
