"""The counter of an organisation: one position for each write, so that its feed has no gaps and is in commit order.

Who reads the feed meets every change once, in order, is told up to where positions are whole (``complete_through``),
and can go on from any cursor. Changes before the ``floor`` were put away; a restored database has a higher ``epoch``.
"""

from dataclasses import dataclass, field
from typing import Final, NamedTuple
from uuid import UUID

from sqlalchemy import Connection, RowMapping, and_, bindparam, delete, insert, or_, select, update

from catchpan_service.rules.positions import END, Place, is_gone
from catchpan_service.store.errors import Gone
from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import changes, counters
from catchpan_service.store.writes import EVERYBODY, Change, Stamp, Written

GENESIS: Final = "0" * 64
FIRST_EPOCH: Final = 1

_HEAD: Final = select(counters.c.position, counters.c.chain_head, counters.c.hearing).where(*owned(counters))
_STATE: Final = select(counters.c.epoch, counters.c.position, counters.c.floor).where(*owned(counters))
_RAISE: Final = update(counters).where(*owned(counters))
_LIST: Final = insert(changes)
_AFTER: Final = or_(
    changes.c.position > bindparam("position"),
    and_(changes.c.position == bindparam("position"), changes.c.n > bindparam("n")),
)
_PAGE: Final = (
    select(changes).where(*owned(changes), _AFTER).order_by(changes.c.position, changes.c.n).limit(bindparam("most"))
)
_PAGE_OF_BRANCH: Final = _PAGE.where(changes.c.audience.in_([EVERYBODY, bindparam("audience")]))
_PUT_AWAY: Final = delete(changes).where(*owned(changes), changes.c.position <= bindparam("floor"))


@dataclass(frozen=True)
class Head:
    """Where an organisation's feed and its audit chain end, and how many webhooks hear of what comes next."""

    position: int
    chain_head: str
    hearing: int = field(default=0, compare=False)


EMPTY: Final = Head(0, GENESIS)


class State(NamedTuple):
    """The epoch, the last position, and the position up to which changes were put away."""

    epoch: int
    position: int
    floor: int


class Page(NamedTuple):
    """Changes of the feed, where it goes on, and the last position that is complete with them."""

    rows: list[RowMapping]
    place: Place
    complete_through: int
    more: bool


def start(connection: Connection, organisation: UUID) -> None:
    """The counter of a new organisation, before its first write."""
    connection.execute(
        insert(counters).values(organisation=organisation, epoch=FIRST_EPOCH, position=0, chain_head=GENESIS)
    )


def head(connection: Connection, organisation: UUID) -> Head:
    """Where the organisation stands; at the beginning, if it is only being made."""
    row = connection.execute(_HEAD, of(organisation)).one_or_none()
    return Head(row.position, row.chain_head, row.hearing) if row else EMPTY


def advance(connection: Connection, organisation: UUID, head: Head, made: tuple[Change, ...]) -> None:
    """Raise the counter to the new head, and write down what was changed at that position."""
    connection.execute(_RAISE, of(organisation) | {"position": head.position, "chain_head": head.chain_head})
    connection.execute(
        _LIST,
        [
            {"organisation": organisation, "position": head.position, "n": n, **vars(change)}
            for n, change in enumerate(made)
        ],
    )


def state(connection: Connection, organisation: UUID) -> State:
    """Where the feed stands now."""
    return State(*connection.execute(_STATE, of(organisation)).one())


def page(connection: Connection, organisation: UUID, branch: UUID | None, after: Place | None, limit: int) -> Page:
    """Changes after a place, for the office or for one branch; from the beginning with none.

    Raises
    ------
    Gone
        The place is of another epoch, or changes after it were put away.
    """
    now = state(connection, organisation)
    place = after or Place(now.epoch, 0)
    if is_gone(place, epoch=now.epoch, floor=now.floor, position=now.position):
        raise Gone
    if place.position == now.position and place.n == END:
        return Page([], place, now.position, more=False)
    asked = of(organisation) | {"position": place.position, "n": place.n, "most": limit + 1}
    statement = _PAGE
    if branch is not None:
        statement, asked = _PAGE_OF_BRANCH, asked | {"audience": str(branch)}
    rows = list(connection.execute(statement, asked).mappings())
    if len(rows) <= limit:
        return Page(rows, Place(now.epoch, now.position), now.position, more=False)
    last, unsent = rows[limit - 1], rows[limit]
    return Page(rows[:limit], Place(now.epoch, last["position"], last["n"]), unsent["position"] - 1, more=True)


def put_away(connection: Connection, organisation: UUID, stamp: Stamp, through: int) -> Written[State]:  # noqa: ARG001
    """Forget the changes up to a position; who has not read them takes a snapshot. Holdings and audit rows stay."""
    now = state(connection, organisation)
    after = now._replace(floor=max(now.floor, min(through, now.position)))
    connection.execute(_PUT_AWAY, of(organisation) | {"floor": after.floor})
    connection.execute(_RAISE, of(organisation) | {"floor": after.floor})
    return Written(after, ())


def raise_epoch(connection: Connection, organisation: UUID, stamp: Stamp) -> Written[State]:
    """Say that this database was restored from a copy, so that readers who saw more take a snapshot."""
    now = state(connection, organisation)
    connection.execute(_RAISE, of(organisation) | {"epoch": now.epoch + 1})
    after = State(now.epoch + 1, stamp.position, now.floor)
    return Written(after, (Change("organisation", str(organisation), "restored", audience=EVERYBODY),))
