"""What something was at an earlier version, as far as the list of changes still reaches."""

from collections.abc import Collection
from typing import Final
from uuid import UUID

from sqlalchemy import Connection, bindparam, select

from catchpan_service.store import contents
from catchpan_service.store.errors import NotFound
from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import changes

_BODIES: Final = ("added", "replaced")  # the events of which each made one version with a body of its own
_DIGEST: Final = (
    select(changes.c.digest)
    .where(*owned(changes, "kind", "id"), changes.c.event.in_(_BODIES))
    .order_by(changes.c.position.desc(), changes.c.n.desc())
    .offset(bindparam("back"))
    .limit(1)
)
_DIGEST_AT: Final = (
    select(changes.c.digest)
    .where(*owned(changes, "kind", "id"), changes.c.digest.is_not(None), changes.c.position <= bindparam("position"))
    .order_by(changes.c.position.desc(), changes.c.n.desc())
    .limit(1)
)


def body(
    connection: Connection, organisation: UUID, kind: str, subject: str, *, version: int, expected: Collection[int]
) -> bytes | None:
    """The body that somebody read who expected a version; None where it is not known, or is the present one."""
    if len(expected) != 1 or not 0 < (back := version - min(expected)) < version:
        return None
    asked = of(organisation, kind=kind, id=subject) | {"back": back}
    digest = connection.execute(_DIGEST, asked).scalar_one_or_none()
    try:
        return None if digest is None else contents.get(connection, organisation, digest)
    except NotFound:
        return None


def body_at(connection: Connection, organisation: UUID, kind: str, subject: str, position: int) -> bytes | None:
    """The body of something at a position of the feed; None where the list of changes does not reach that far."""
    asked = of(organisation, kind=kind, id=subject) | {"position": position}
    digest = connection.execute(_DIGEST_AT, asked).scalar_one_or_none()
    return None if digest is None else contents.get(connection, organisation, digest)
