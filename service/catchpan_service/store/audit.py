"""The audit chain: one row for each position, holding the hash of the row before it.

A row that is removed, altered or moved breaks the chain, and so does a tail cut off, because the head is kept with the
counter. Somebody who can write to the database and computes the whole chain anew is not found out by this alone: keep
the head elsewhere too.
"""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, func, insert, select

from catchpan_service.store import feed
from catchpan_service.store.feed import GENESIS, Head
from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import audit
from catchpan_service.store.writes import Change

BATCH: Final = 1000

_ADD: Final = insert(audit)
_MOMENT: Final = select(audit.c.at).where(*owned(audit, "position"))
_UNTIL: Final = select(func.max(audit.c.position)).where(*owned(audit), audit.c.at <= bindparam("until"))
_ALL: Final = select(audit).where(*owned(audit)).order_by(audit.c.position).execution_options(yield_per=BATCH)


@dataclass(frozen=True)
class Entry:
    """What one audit row says: when, which key, by which operation, and what it did to what."""

    organisation: UUID
    position: int
    at: datetime
    key: UUID
    operation: str
    subjects: str
    previous: str

    def hash(self) -> str:
        """SHA-256 (hex) over the canonical JSON of the entry; its members are text and whole numbers only."""
        document = vars(self) | {"at": self.at.isoformat(timespec="microseconds")}
        return hashlib.sha256(_canonical(document)).hexdigest()


def append(
    connection: Connection,
    organisation: UUID,
    head: Head,
    *,
    at: datetime,
    key: UUID,
    operation: str,
    made: tuple[Change, ...],
) -> Head:
    """Write the next row, and tell the head that the counter is to be raised to."""
    subjects = _canonical([[change.kind, change.id, change.event, change.digest] for change in made]).decode()
    entry = Entry(organisation, head.position + 1, at, key, operation, subjects, head.chain_head)
    after = Head(entry.position, entry.hash())
    connection.execute(_ADD, vars(entry) | {"hash": after.chain_head})
    return after


def moment(connection: Connection, organisation: UUID, position: int | None) -> datetime | None:
    """When the write of a position was made; None for none."""
    return connection.execute(_MOMENT, of(organisation, position=position)).scalar_one_or_none()


def position_at(connection: Connection, organisation: UUID, moment: datetime) -> int:
    """The position of the last write that was made by an instant, 0 for none."""
    return connection.execute(_UNTIL, of(organisation) | {"until": moment}).scalar_one() or 0


@dataclass(frozen=True)
class Break:
    """Where the chain does not hold, and what is wrong there."""

    position: int
    what: str


def verify(connection: Connection, organisation: UUID) -> list[Break]:
    """Every place where the chain of an organisation is broken; none, if nobody touched it."""
    breaks: list[Break] = []
    last = Head(0, GENESIS)
    for entry, kept in _entries(connection, organisation):
        breaks += _check(last, entry, kept)
        last = Head(entry.position, kept)
    head = feed.head(connection, organisation)
    if last.position < head.position:
        breaks.append(Break(last.position + 1, f"rows are missing up to the end at {head.position}"))
    elif last != head:
        breaks.append(Break(last.position, "the chain does not end where the counter says"))
    return breaks


def _entries(connection: Connection, organisation: UUID) -> Iterator[tuple[Entry, str]]:
    for row in connection.execute(_ALL, of(organisation)):
        *said, kept = row
        yield Entry(*said), kept


def _check(last: Head, entry: Entry, kept: str) -> list[Break]:
    if entry.position != last.position + 1:
        return [Break(last.position + 1, f"rows are missing before {entry.position}")]
    if entry.hash() != kept:
        return [Break(entry.position, "the row was altered")]
    if entry.previous != last.chain_head:
        return [Break(entry.position, "the row does not follow the one before it")]
    return []


def _canonical(document: object) -> bytes:
    # Equal to RFC 8785 for text and whole numbers under ASCII member names, at a fraction of its general cost.
    return msgspec.json.encode(document, order="sorted")
