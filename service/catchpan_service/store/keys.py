"""Keys: 256 random bits that are shown once; only their SHA-256 is kept.

A slow hash protects guessable passwords; a random key of 256 bits cannot be guessed, and a request must not wait.
"""

import hashlib
from base64 import urlsafe_b64encode
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, Row, bindparam, insert, or_, select, update

from catchpan.contract.organisations import Role
from catchpan_service.rules.access import branch_fits
from catchpan_service.store import branches
from catchpan_service.store.errors import Conflict, NotFound, named_by
from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import keys, organisations
from catchpan_service.store.writes import Access, Change, Stamp, Written

KIND: Final = "key"
PREFIX: Final = "catchpan-"
SECRET_BYTES: Final = 32
USE_NOTED_EVERY: Final = timedelta(hours=1)

_FIND: Final = (
    select(keys, organisations.c.name.label("organisation_name"), organisations.c.units)
    .join(organisations, organisations.c.organisation == keys.c.organisation)
    .where(keys.c.hash == bindparam("presented"))
)
_ONE: Final = select(keys).where(*owned(keys, "id"))
_ALL: Final = select(keys).where(*owned(keys)).order_by(keys.c.created, keys.c.id)
_ADD: Final = insert(keys)
_SET: Final = update(keys).where(*owned(keys, "id"))
_NOTE: Final = _SET.where(or_(keys.c.last_used.is_(None), keys.c.last_used <= bindparam("noted_before")))


@dataclass(frozen=True)
class StoredKey:
    """A key as stored: all but the secret, which nobody can read again."""

    id: UUID
    name: str
    role: Role
    branch: UUID | None
    created: datetime
    expires: datetime | None
    revoked: datetime | None
    last_used: datetime | None


def secret_of(random: bytes) -> str:
    """The text of a key, from its 32 random bytes; ValueError for any other number of them."""
    if len(random) != SECRET_BYTES:
        raise ValueError(f"a key is made of {SECRET_BYTES} random bytes, not {len(random)}")
    return PREFIX + urlsafe_b64encode(random).decode().rstrip("=")


def hash_of(secret: str) -> str:
    """What is kept of a key, and what one is found by (hex)."""
    return hashlib.sha256(secret.encode(errors="surrogatepass")).hexdigest()


def find(connection: Connection, presented: str, now: datetime) -> Access | None:
    """What the key with this hash may do; none if there is no such key, or it is revoked or expired."""
    row = connection.execute(_FIND, {"presented": presented}).one_or_none()
    if row is None or row.revoked is not None or (row.expires is not None and row.expires <= now):
        return None
    return Access(
        row.organisation,
        row.organisation_name,
        row.units,
        row.id,
        row.name,
        Role(row.role),
        row.branch,
        row.last_used,
    )


def all_of_them(connection: Connection, organisation: UUID) -> list[StoredKey]:
    """Every key of the organisation, in the order they were made."""
    return [_stored(row) for row in connection.execute(_ALL, of(organisation))]


def add(
    connection: Connection,
    organisation: UUID,
    stamp: Stamp,
    secret_hash: str,
    name: str,
    role: Role,
    expires: datetime | None = None,
    branch: UUID | None = None,
) -> Written[StoredKey]:
    """A new key, by the hash of its secret; NotFound for its branch.

    Raises ValueError for a branch's key without a branch, or one with a branch that can have none.
    """
    if not branch_fits(role, given=branch is not None):
        raise ValueError("a key with the role branch has a branch, one with the role calendar may have, and no other")
    if branch is not None:
        with named_by("branch"):
            branches.get(connection, organisation, branch)
    made = StoredKey(stamp.new_id(), name, role, branch, stamp.now, expires, None, None)
    connection.execute(_ADD, vars(made) | {"organisation": organisation, "hash": secret_hash, "role": role.value})
    return Written(made, (_change(made, "added"),))


def rotate(
    connection: Connection, organisation: UUID, stamp: Stamp, subject: UUID, secret_hash: str, overlap: timedelta
) -> Written[StoredKey]:
    """A key that takes the place of another, which ends after an overlap; NotFound, or Conflict for one that ended."""
    old = _get(connection, organisation, subject)
    if old.revoked is not None or (old.expires is not None and old.expires <= stamp.now):
        raise Conflict("This key ended; make a new one.", field="id", existing=str(old.id))
    made = replace(old, id=stamp.new_id(), created=stamp.now, last_used=None)
    connection.execute(_ADD, vars(made) | {"organisation": organisation, "hash": secret_hash, "role": old.role.value})
    ends = stamp.now + overlap
    if old.expires is None or ends < old.expires:
        connection.execute(_SET, of(organisation, id=subject) | {"expires": ends})
    return Written(made, (_change(made, "added"), _change(old, "replaced")))


def revoke(connection: Connection, organisation: UUID, stamp: Stamp, subject: UUID) -> Written[StoredKey]:
    """End a key; NotFound. One that was ended before stays as it is."""
    found = _get(connection, organisation, subject)
    if found.revoked is not None:
        return Written(found, ())
    connection.execute(_SET, of(organisation, id=subject) | {"revoked": stamp.now})
    return Written(replace(found, revoked=stamp.now), (_change(found, "revoked"),))


def use_is_due(access: Access, now: datetime) -> bool:
    """Whether the last use of a key was noted so long ago that it is to be noted again."""
    return access.last_used is None or access.last_used <= now - USE_NOTED_EVERY


def note_use(connection: Connection, organisation: UUID, stamp: Stamp) -> Written[None]:
    """Note that the key was used now, at most hourly; it leaves no trace in the feed or the audit chain."""
    noted_before = stamp.now - USE_NOTED_EVERY
    found = of(organisation, id=stamp.access.key) | {"noted_before": noted_before}
    connection.execute(_NOTE, found | {"last_used": stamp.now})
    return Written(None, ())


def _get(connection: Connection, organisation: UUID, subject: UUID) -> StoredKey:
    row = connection.execute(_ONE, of(organisation, id=subject)).one_or_none()
    if row is None:
        raise NotFound("key", subject)
    return _stored(row)


def _change(key: StoredKey, event: str) -> Change:
    """The branch of a key hears of it."""
    return Change(KIND, str(key.id), event, audience=None if key.branch is None else str(key.branch))


def _stored(row: Row[Any]) -> StoredKey:
    return StoredKey(row.id, row.name, Role(row.role), row.branch, row.created, row.expires, row.revoked, row.last_used)
