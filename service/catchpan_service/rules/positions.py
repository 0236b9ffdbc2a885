"""Positions of the feed: cursors that say where a reader goes on, and what may follow one.

A cursor is sealed to one organisation and one scope, so that it can be neither forged nor used elsewhere.
"""

import base64
import binascii
import hashlib
import hmac
from typing import Final, NamedTuple

END: Final = 2**31 - 1
"""After every change of a position."""

_SEAL: Final = 16


class Place(NamedTuple):
    """Where a reader is: after the change ``n`` of a position, in an epoch."""

    epoch: int
    position: int
    n: int = END


class BadSeal(ValueError):
    """A text that this organisation did not give out for this scope."""


def sealed(text: str, *, secret: bytes, organisation: str, scope: str) -> str:
    """A text (ASCII) as a cursor."""
    payload = text.encode()
    return _written(_seal(payload, secret, organisation, scope) + payload)


def opened(cursor: str, *, secret: bytes, organisation: str, scope: str) -> str:
    """The text of a cursor; BadSeal."""
    try:
        raw = base64.b64decode(cursor + "=" * (-len(cursor) % 4), altchars=b"-_", validate=True)
    except (binascii.Error, ValueError) as error:
        raise BadSeal from error
    seal, payload = raw[:_SEAL], raw[_SEAL:]
    if not hmac.compare_digest(seal, _seal(payload, secret, organisation, scope)) or _written(raw) != cursor:
        raise BadSeal
    return payload.decode()


def is_gone(place: Place, *, epoch: int, floor: int, position: int) -> bool:
    """Whether changes after the place can no longer be told.

    It is of another epoch, put away in the meantime, or beyond the last position: then the database is an older copy.
    """
    return place.epoch != epoch or place.position > position or (place.position, place.n) < (floor, END)


def _seal(payload: bytes, secret: bytes, organisation: str, scope: str) -> bytes:
    message = b"\n".join((organisation.encode(), scope.encode(), payload))
    return hmac.digest(secret, message, hashlib.sha256)[:_SEAL]


def _written(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).decode().rstrip("=")
