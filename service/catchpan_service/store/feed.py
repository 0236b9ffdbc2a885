"""The counter of an organisation: one position for each write, so that its feed has no gaps and is in commit order."""

from dataclasses import dataclass
from typing import Final
from uuid import UUID

from sqlalchemy import Connection, insert, select, update

from catchpan_service.store.tables import changes, counters
from catchpan_service.store.writes import Change

GENESIS: Final = "0" * 64
FIRST_EPOCH: Final = 1


@dataclass(frozen=True)
class Head:
    """Where an organisation's feed and its audit chain end."""

    position: int
    chain_head: str


def start(connection: Connection, organisation: UUID) -> None:
    """The counter of a new organisation, before its first write."""
    connection.execute(
        insert(counters).values(organisation=organisation, epoch=FIRST_EPOCH, position=0, chain_head=GENESIS)
    )


def lock(connection: Connection, organisation: UUID) -> Head:
    """The head, held until the transaction ends, so that writes of one organisation run one after another."""
    row = connection.execute(
        select(counters.c.position, counters.c.chain_head)
        .where(counters.c.organisation == organisation)
        .with_for_update()
    ).one_or_none()
    return Head(row.position, row.chain_head) if row else Head(0, GENESIS)


def advance(connection: Connection, organisation: UUID, head: Head, made: tuple[Change, ...]) -> None:
    """Raise the counter to the new head, and write down what was changed at that position."""
    connection.execute(
        update(counters)
        .where(counters.c.organisation == organisation)
        .values(position=head.position, chain_head=head.chain_head)
    )
    connection.execute(
        insert(changes),
        [
            {
                "organisation": organisation,
                "position": head.position,
                "n": n,
                "kind": change.kind,
                "id": change.id,
                "event": change.event,
                "digest": change.digest,
            }
            for n, change in enumerate(made)
        ],
    )
