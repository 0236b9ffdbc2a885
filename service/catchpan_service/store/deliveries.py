"""The messages to webhooks: written with the change that they tell, taken to be sent, and what came of each.

A message is taken by a write of its own, which moves on when it is due: whoever else looks meanwhile finds nothing to
send, and if the sender dies it is due again a little later. So each arrives at least once, under one id.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Final
from uuid import UUID

import msgspec
from sqlalchemy import Connection, RowMapping, bindparam, delete, insert, select, update

from catchpan.contract.webhooks import Delivery, DeliveryPage, Event, EventData
from catchpan_service.rules import webhooks as rules
from catchpan_service.store import cursors
from catchpan_service.store.cursors import DEFAULT_LIMIT
from catchpan_service.store.errors import NotFound
from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import deliveries, webhooks
from catchpan_service.store.writes import Change, Stamp, Written

WEBHOOK: Final = "webhook"
LAST: Final = UUID(int=2**128 - 1)
LEASE: Final = timedelta(minutes=2)  # longer than any attempt may take
DISABLED: Final = "not sent any more: the webhook was disabled or ended"

_HEARING: Final = select(webhooks.c.id, webhooks.c.events).where(
    *owned(webhooks), webhooks.c.ended.is_(None), webhooks.c.disabled.is_(None)
)
_WEBHOOK: Final = select(webhooks).where(*owned(webhooks, "id"))
_ADD: Final = insert(deliveries)
_DUE: Final = select(deliveries.c.id).where(*owned(deliveries), deliveries.c.due <= bindparam("now")).limit(1)
_TAKE: Final = (
    select(
        deliveries.c.id,
        deliveries.c.webhook,
        deliveries.c.body,
        deliveries.c.attempts,
        webhooks.c.url,
        webhooks.c.secret,
        webhooks.c.old_secret,
        webhooks.c.both_until,
    )
    .join(webhooks, (webhooks.c.organisation == deliveries.c.organisation) & (webhooks.c.id == deliveries.c.webhook))
    .where(*owned(deliveries), deliveries.c.due <= bindparam("now"))
    .order_by(deliveries.c.due, deliveries.c.id)
    .limit(bindparam("most"))
)
_MOVE_ON: Final = (
    update(deliveries)
    .where(*owned(deliveries, "id"))
    .values(due=bindparam("lease"), attempts=deliveries.c.attempts + 1)
)
_OPEN: Final = deliveries.c.due.is_not(None)
_NOTE: Final = update(deliveries).where(*owned(deliveries, "id"), _OPEN)
# Who took it after the lease was over has the last word, unless it arrived.
_NOTE_FAILURE: Final = _NOTE.where(deliveries.c.attempts == bindparam("attempt"))
_GIVE_UP: Final = update(deliveries).where(*owned(deliveries, "webhook"), _OPEN)
_FORGET: Final = delete(deliveries).where(
    *owned(deliveries), deliveries.c.made < bindparam("before"), deliveries.c.due.is_(None)
)
_PAGE: Final = (
    select(deliveries)
    .where(*owned(deliveries, "webhook"), deliveries.c.id < bindparam("before"))
    .order_by(deliveries.c.id.desc())
    .limit(bindparam("most"))
)


@dataclass(frozen=True)
class Taken:
    """A message that is to be sent now: where to, and by which secrets it is signed."""

    id: UUID
    webhook: UUID
    url: str
    body: bytes = field(repr=False)
    secrets: tuple[str, ...] = field(repr=False)
    attempt: int

    @property
    def message(self) -> str:
        """Its id as the receiver sees it."""
        return message_id(self.id)


@dataclass(frozen=True)
class Outcome:
    """What came of an attempt: ``wait`` until the next, None where it arrived or is given up.

    ``gone`` says that the receiver wants no more of them.
    """

    taken: Taken
    status: int | None
    answer: str
    arrived: bool = False
    gone: bool = False
    wait: timedelta | None = None


def message_id(own: UUID) -> str:
    """The id of a message on the wire."""
    return f"msg_{own}"


def queue(connection: Connection, organisation: UUID, stamp: Stamp, made: tuple[Change, ...]) -> None:
    """Write the messages that tell some changes, those of webhooks themselves apart."""
    hearing = connection.execute(_HEARING, of(organisation)).all()
    if not hearing:
        return
    told = [change for change in made if change.kind != WEBHOOK]
    rows = [row for change in told for row in _rows(organisation, stamp, change, hearing)]
    if rows:
        connection.execute(_ADD, rows)


def add_trial(connection: Connection, organisation: UUID, stamp: Stamp, subject: UUID) -> Written[Delivery]:
    """A message that tells of nothing but itself; NotFound, or NotLegal for a webhook that nothing is sent to."""
    webhook = _webhook(connection, organisation, subject)
    rules.require_live("try", ended=webhook["ended"] is not None, disabled=webhook["disabled"] is not None)
    body = _body(stamp, Change(WEBHOOK, str(subject), "tried"), stamp.position - 1)
    row = _row(organisation, stamp, subject, f"{WEBHOOK}.tried", body)
    connection.execute(_ADD, row)
    return Written(_wire(row | {"status": None, "answer": None, "delivered": None, "given_up": None}), ())


def page(
    connection: Connection,
    organisation: UUID,
    subject: UUID,
    cursor: str | None = None,
    limit: int = DEFAULT_LIMIT,
) -> DeliveryPage:
    """One page of the messages of a webhook, newest first; NotFound, BadCursor."""
    _webhook(connection, organisation, subject)
    scope = f"deliveries of {subject}"
    before = UUID(cursors.read(organisation, scope, cursor)) if cursor else LAST
    asked: dict[str, Any] = of(organisation, webhook=subject)
    asked |= {"before": before, "most": cursors.check_limit(limit) + 1}
    rows, last = cursors.split(connection.execute(_PAGE, asked).mappings().all(), limit)
    following = None if last is None else cursors.write(organisation, scope, str(last["id"]))
    return DeliveryPage(items=[_wire(row) for row in rows], next=following)


def is_due(connection: Connection, organisation: UUID, now: datetime) -> bool:
    """Whether a message is to be sent."""
    return connection.execute(_DUE, of(organisation) | {"now": now}).first() is not None


def take(connection: Connection, organisation: UUID, stamp: Stamp, most: int) -> Written[list[Taken]]:
    """Some messages that are due, the longest waiting first, which nobody else is given while the lease lasts.

    What is older than it is kept for is thrown away.
    """
    connection.execute(_FORGET, of(organisation) | {"before": stamp.now - rules.KEPT})
    rows = connection.execute(_TAKE, of(organisation) | {"now": stamp.now, "most": most}).all()
    if rows:
        lease = {"lease": stamp.now + LEASE}
        connection.execute(_MOVE_ON, [of(organisation, id=row.id) | lease for row in rows])
    return Written([_taken(row, stamp.now) for row in rows], ())


def note(connection: Connection, organisation: UUID, stamp: Stamp, outcome: Outcome) -> None:
    """Write down what came of an attempt."""
    asked = of(organisation, id=outcome.taken.id) | {"status": outcome.status, "answer": outcome.answer}
    if outcome.arrived:
        connection.execute(_NOTE, asked | {"due": None, "delivered": stamp.now})
        return
    due = None if outcome.wait is None else stamp.now + outcome.wait
    given_up = stamp.now if due is None else None
    connection.execute(_NOTE_FAILURE, asked | {"attempt": outcome.taken.attempt, "due": due, "given_up": given_up})


def give_up_all(connection: Connection, organisation: UUID, stamp: Stamp, subject: UUID) -> None:
    """Send none of the messages that wait for a webhook."""
    values = {"due": None, "given_up": stamp.now, "answer": DISABLED}
    connection.execute(_GIVE_UP, of(organisation, webhook=subject) | values)


def _rows(organisation: UUID, stamp: Stamp, change: Change, hearing: Iterable[Any]) -> Iterator[dict[str, Any]]:
    body = _body(stamp, change, stamp.position)
    for webhook in hearing:
        events = msgspec.json.decode(webhook.events)
        if not events or change.kind in events:
            yield _row(organisation, stamp, webhook.id, f"{change.kind}.{change.event}", body)


def _row(organisation: UUID, stamp: Stamp, webhook: UUID, kind: str, body: bytes) -> dict[str, Any]:
    return {
        "organisation": organisation,
        "id": stamp.new_id(),
        "webhook": webhook,
        "type": kind,
        "body": body,
        "made": stamp.now,
        "attempts": 0,
        "due": stamp.now,
    }


def _body(stamp: Stamp, change: Change, position: int) -> bytes:
    data = EventData(kind=change.kind, id=change.id, action=change.event, digest=change.digest, position=position)
    return msgspec.json.encode(Event(type=f"{change.kind}.{change.event}", timestamp=stamp.now, data=data))


def _webhook(connection: Connection, organisation: UUID, subject: UUID) -> RowMapping:
    row = connection.execute(_WEBHOOK, of(organisation, id=subject)).mappings().one_or_none()
    if row is None:
        raise NotFound(WEBHOOK, subject)
    return row


def _taken(row: Any, now: datetime) -> Taken:
    both = row.both_until is not None and now < row.both_until
    secrets = (row.secret, row.old_secret) if both else (row.secret,)
    return Taken(row.id, row.webhook, row.url, row.body, secrets, row.attempts + 1)


def _wire(row: RowMapping | dict[str, Any]) -> Delivery:
    told = {name: row[name] for name in ("type", "made", "attempts", "status", "answer", "delivered", "given_up")}
    return Delivery(id=message_id(row["id"]), next_attempt=row["due"], **told)
