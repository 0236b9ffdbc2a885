"""Cursors: where the next page of a list begins, opaque to the client and bound to one organisation's one list."""

import base64
import binascii
import hashlib
from collections.abc import Sequence
from typing import Any, Final, TypeVar
from uuid import UUID

from catchpan_service.store.errors import BadCursor

DEFAULT_LIMIT: Final = 50
MAX_LIMIT: Final = 200
_SEAL: Final = 12

Row = TypeVar("Row")


def write(organisation: UUID, scope: str, last: str) -> str:
    """The cursor after the item whose key is ``last`` in the list that ``scope`` names."""
    return base64.urlsafe_b64encode(_seal(organisation, scope, last) + last.encode()).decode().rstrip("=")


def read(organisation: UUID, scope: str, cursor: str) -> str:
    """The key in a cursor of this list; BadCursor for any other text.

    The seal catches mistakes, not forgers: whatever a cursor says, a list holds rows of its organisation only.
    """
    try:
        raw = base64.b64decode(cursor + "=" * (-len(cursor) % 4), altchars=b"-_", validate=True)
        last = raw[_SEAL:].decode()
    except (binascii.Error, ValueError) as error:
        raise BadCursor from error
    if write(organisation, scope, last) != cursor:
        raise BadCursor
    return last


def split(rows: Sequence[Row], limit: int) -> tuple[Sequence[Row], Row | None]:
    """The rows of one page, and its last one if more follow; one row more than the limit was asked for."""
    return (rows[:limit], rows[limit - 1]) if len(rows) > limit else (rows, None)


def check_limit(limit: int) -> int:
    """The limit; ValueError outside 1 to 200."""
    if not 1 <= limit <= MAX_LIMIT:
        raise ValueError(f"a page holds 1 to {MAX_LIMIT} items, not {limit}")
    return limit


def _seal(organisation: UUID, scope: str, last: str) -> bytes:
    parts: Any = (organisation.hex, scope, last)
    return hashlib.sha256("\n".join(parts).encode()).digest()[:_SEAL]
