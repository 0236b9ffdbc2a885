"""Contents of revisions: canonical bytes, stored once for each digest, and never thrown away.

The content of a draft that was replaced stays too: catches that somebody weighed are not lost to a slip.
"""

from collections.abc import Mapping
from datetime import datetime
from typing import Final
from uuid import UUID

from sqlalchemy import Connection, bindparam, insert, select

from catchpan_service.store.errors import NotFound
from catchpan_service.store.statements import chunks, of, owned
from catchpan_service.store.tables import contents

_BODY: Final = select(contents.c.body).where(*owned(contents, "digest"))
_IS_THERE: Final = select(contents.c.digest).where(*owned(contents, "digest"))
_ARE_THERE: Final = select(contents.c.digest).where(
    *owned(contents), contents.c.digest.in_(bindparam("any_of", expanding=True))
)
_ADD: Final = insert(contents)


def get(connection: Connection, organisation: UUID, digest: str) -> bytes:
    """The bytes as they were hashed; NotFound."""
    body: bytes | None = connection.execute(_BODY, of(organisation, digest=digest)).scalar_one_or_none()
    if body is None:
        raise NotFound("content", digest)
    return body


def keep(connection: Connection, organisation: UUID, digest: str, body: bytes, now: datetime) -> None:
    """Store content under its digest, unless it is there."""
    if connection.execute(_IS_THERE, of(organisation, digest=digest)).one_or_none() is None:
        connection.execute(_ADD, {"organisation": organisation, "digest": digest, "body": body, "created": now})


def keep_all(connection: Connection, organisation: UUID, bodies: Mapping[str, bytes], now: datetime) -> None:
    """Store contents by their digests, those that are not there yet."""
    for some in chunks(bodies):
        there = set(connection.scalars(_ARE_THERE, of(organisation) | {"any_of": some}))
        rows = [
            {"organisation": organisation, "digest": digest, "body": bodies[digest], "created": now}
            for digest in some
            if digest not in there
        ]
        if rows:
            connection.execute(_ADD, rows)
