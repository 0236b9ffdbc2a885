"""Contents of revisions: canonical bytes, stored once for each digest, and never thrown away.

The content of a draft that was replaced stays too: catches that somebody weighed are not lost to a slip.
"""

from datetime import datetime
from typing import Final
from uuid import UUID

from sqlalchemy import Connection, insert, select

from catchpan_service.store.errors import NotFound
from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import contents

_BODY: Final = select(contents.c.body).where(*owned(contents, "digest"))
_IS_THERE: Final = select(contents.c.digest).where(*owned(contents, "digest"))
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
