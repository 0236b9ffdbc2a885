"""What all wire types share: the base struct, enums that survive a new member, and limits on text and counts."""

from datetime import datetime
from enum import StrEnum
from typing import Annotated, Self

import msgspec
from msgspec import Meta


class Wire(msgspec.Struct, frozen=True):
    """Base of every struct on the wire."""


class OpenEnum(StrEnum):
    """An enum in answers: a member that this version does not know is kept as it came."""

    @classmethod
    def _missing_(cls, value: object) -> Self | None:
        if not isinstance(value, str):
            return None
        member = str.__new__(cls, value)
        member._name_ = "UNKNOWN"
        member._value_ = value
        return member


# Text without NUL, which databases refuse, and without lone surrogates, which no digest can hold.
_TEXT = r"^[^\x00]*$"

Name = Annotated[str, Meta(min_length=1, max_length=120, pattern=_TEXT, description="A short name.")]
ShortNote = Annotated[str, Meta(max_length=120, pattern=_TEXT, description="Free text.")]
Note = Annotated[str, Meta(max_length=2000, pattern=_TEXT, description="Free text.")]
Reason = Annotated[
    str, Meta(min_length=1, max_length=500, pattern=r"^[^\x00]*\S[^\x00]*$", description="Why, in a person's words.")
]
Id = Annotated[
    str,
    Meta(
        pattern="^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$",
        min_length=36,
        max_length=36,
        description="An id (UUIDv7, lower case).",
        examples=["01900000-0000-7000-8000-000000000001"],
    ),
]
Digest = Annotated[
    str,
    Meta(
        pattern="^sha256:[0-9a-f]{64}$",
        description="SHA-256 over RFC 8785 canonical JSON.",
        examples=["sha256:" + "0" * 64],
    ),
]
Count = Annotated[int, Meta(ge=0, le=1_000_000_000)]
Instant = Annotated[datetime, Meta(tz=True, description="RFC 3339, UTC, milliseconds.")]
