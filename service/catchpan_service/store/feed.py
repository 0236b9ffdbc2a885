"""The counter of an organisation: one position for each write, so that its feed has no gaps and is in commit order."""

from dataclasses import dataclass
from typing import Final
from uuid import UUID

from sqlalchemy import Connection, insert, select, update

from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import changes, counters
from catchpan_service.store.writes import Change

GENESIS: Final = "0" * 64
FIRST_EPOCH: Final = 1

_HEAD: Final = select(counters.c.position, counters.c.chain_head).where(*owned(counters))
_RAISE: Final = update(counters).where(*owned(counters))
_LIST: Final = insert(changes)


@dataclass(frozen=True)
class Head:
    """Where an organisation's feed and its audit chain end."""

    position: int
    chain_head: str


EMPTY: Final = Head(0, GENESIS)


def start(connection: Connection, organisation: UUID) -> None:
    """The counter of a new organisation, before its first write."""
    connection.execute(
        insert(counters).values(organisation=organisation, epoch=FIRST_EPOCH, position=0, chain_head=GENESIS)
    )


def head(connection: Connection, organisation: UUID) -> Head:
    """Where the organisation stands; at the beginning, if it is only being made."""
    row = connection.execute(_HEAD, of(organisation)).one_or_none()
    return Head(row.position, row.chain_head) if row else EMPTY


def advance(connection: Connection, organisation: UUID, head: Head, made: tuple[Change, ...]) -> None:
    """Raise the counter to the new head, and write down what was changed at that position."""
    connection.execute(_RAISE, of(organisation) | vars(head))
    connection.execute(
        _LIST,
        [
            {"organisation": organisation, "position": head.position, "n": n, **vars(change)}
            for n, change in enumerate(made)
        ],
    )
