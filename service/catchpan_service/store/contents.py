"""Contents of revisions: canonical bytes, stored once for each digest, and never thrown away.

The content of a draft that was replaced stays too: catches that somebody weighed are not lost to a slip.
"""

from datetime import datetime
from uuid import UUID

from sqlalchemy import Connection, insert, select

from catchpan_service.store.errors import NotFound
from catchpan_service.store.tables import contents


def get(connection: Connection, organisation: UUID, digest: str) -> bytes:
    """The bytes as they were hashed; NotFound."""
    body = _find(connection, organisation, digest)
    if body is None:
        raise NotFound("content", digest)
    return body


def keep(connection: Connection, organisation: UUID, digest: str, body: bytes, now: datetime) -> None:
    """Store content under its digest, unless it is there."""
    if _find(connection, organisation, digest) is None:
        connection.execute(insert(contents).values(organisation=organisation, digest=digest, body=body, created=now))


def _find(connection: Connection, organisation: UUID, digest: str) -> bytes | None:
    statement = select(contents.c.body).where(contents.c.organisation == organisation, contents.c.digest == digest)
    body: bytes | None = connection.execute(statement).scalar_one_or_none()
    return body
