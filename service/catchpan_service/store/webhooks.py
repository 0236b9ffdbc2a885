"""Webhooks: added, given another secret, disabled, resumed and ended; what is sent to them is in ``deliveries``."""

from collections.abc import Sequence
from typing import Any, Final
from uuid import UUID

import msgspec
from sqlalchemy import Connection, RowMapping, bindparam, func, insert, select, update

from catchpan.contract.webhooks import Webhook, WebhookPage, WebhookRequest, WebhookRotation
from catchpan_service.rules import webhooks as rules
from catchpan_service.store import cursors, deliveries
from catchpan_service.store.cursors import DEFAULT_LIMIT
from catchpan_service.store.deliveries import Outcome
from catchpan_service.store.errors import NotFound
from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import counters, webhooks
from catchpan_service.store.writes import Change, Stamp, Written

KIND: Final = "webhook"
FIRST: Final = UUID(int=0)
GONE: Final = "the receiver answered 410: it is gone"

_ONE: Final = select(webhooks).where(*owned(webhooks, "id"))
_LIVE: Final = select(func.count()).select_from(webhooks).where(*owned(webhooks), webhooks.c.ended.is_(None))
_ADD: Final = insert(webhooks)
_SET: Final = update(webhooks).where(*owned(webhooks, "id"))
# Kept with the counter, which every write reads: where nobody hears, a write costs nothing more.
_COUNT_ANEW: Final = (
    update(counters)
    .where(*owned(counters))
    .values(
        hearing=select(func.count())
        .select_from(webhooks)
        .where(*owned(webhooks), webhooks.c.ended.is_(None), webhooks.c.disabled.is_(None))
        .scalar_subquery()
    )
)
_PAGE: Final = (
    select(webhooks)
    .where(*owned(webhooks), webhooks.c.id > bindparam("after"))
    .order_by(webhooks.c.id)
    .limit(bindparam("most"))
)
_EVENTS: Final = msgspec.json.Decoder(list[str])


def add(connection: Connection, organisation: UUID, stamp: Stamp, request: WebhookRequest) -> Written[Webhook]:
    """A webhook that hears of changes from now on; NotLegal where there are too many."""
    rules.require_room(connection.execute(_LIVE, of(organisation)).scalar_one())
    row = {
        "organisation": organisation,
        "id": stamp.new_id(),
        "url": request.url,
        "events": msgspec.json.encode(request.events),
        "secret": request.secret,
        "created": stamp.now,
        "both_until": None,
        "disabled": None,
        "why": None,
        "ended": None,
    }
    connection.execute(_ADD, row)
    connection.execute(_COUNT_ANEW, of(organisation))
    return _written(row, "added")


def get(connection: Connection, organisation: UUID, subject: UUID) -> Webhook:
    """One webhook; NotFound."""
    return _wire(_row(connection, organisation, subject))


def page(
    connection: Connection, organisation: UUID, cursor: str | None = None, limit: int = DEFAULT_LIMIT
) -> WebhookPage:
    """One page of webhooks, oldest first; BadCursor."""
    after = UUID(cursors.read(organisation, KIND, cursor)) if cursor else FIRST
    asked: dict[str, Any] = of(organisation) | {"after": after, "most": cursors.check_limit(limit) + 1}
    rows, last = cursors.split(connection.execute(_PAGE, asked).mappings().all(), limit)
    following = None if last is None else cursors.write(organisation, KIND, str(last["id"]))
    return WebhookPage(items=[_wire(row) for row in rows], next=following)


def rotate(
    connection: Connection, organisation: UUID, stamp: Stamp, subject: UUID, request: WebhookRotation
) -> Written[Webhook]:
    """Another secret; the one before signs too for a day. NotFound, NotLegal."""
    row = _row(connection, organisation, subject)
    rules.require_live("rotate", ended=row["ended"] is not None)
    until = stamp.now + rules.BOTH_SIGN_FOR
    values = {"secret": request.secret, "old_secret": row["secret"], "both_until": until}
    return _set(connection, row, "rotated", values)


def hear(connection: Connection, organisation: UUID, stamp: Stamp, outcomes: Sequence[Outcome]) -> Written[None]:
    """Note what came of attempts, and disable the webhooks whose receiver wants no more."""
    for one in outcomes:
        deliveries.note(connection, organisation, stamp, one)
    gone = dict.fromkeys(one.taken.webhook for one in outcomes if one.gone)
    return Written(None, tuple(change for one in gone for change in _disable(connection, organisation, stamp, one)))


def resume(connection: Connection, organisation: UUID, stamp: Stamp, subject: UUID) -> Written[Webhook]:  # noqa: ARG001
    """Tell it of changes again, from now on; one that was not disabled stays as it is. NotFound, NotLegal."""
    row = _row(connection, organisation, subject)
    rules.require_live("resume", ended=row["ended"] is not None)
    if row["disabled"] is None:
        return Written(_wire(row), ())
    return _set(connection, row, "resumed", {"disabled": None, "why": None})


def end(connection: Connection, organisation: UUID, stamp: Stamp, subject: UUID) -> Written[Webhook]:
    """Send nothing more to it, forget its secrets and give up what waits. NotFound, NotLegal."""
    row = _row(connection, organisation, subject)
    rules.require_live("end", ended=row["ended"] is not None)
    deliveries.give_up_all(connection, organisation, stamp, subject)
    values = {"ended": stamp.now, "secret": None, "old_secret": None, "both_until": None}
    return _set(connection, row, "ended", values)


def _disable(connection: Connection, organisation: UUID, stamp: Stamp, subject: UUID) -> tuple[Change, ...]:
    row = _row(connection, organisation, subject)
    if row["disabled"] is not None or row["ended"] is not None:
        return ()
    deliveries.give_up_all(connection, organisation, stamp, subject)
    return _set(connection, row, "disabled", {"disabled": stamp.now, "why": GONE}).changes


def _row(connection: Connection, organisation: UUID, subject: UUID) -> RowMapping:
    row = connection.execute(_ONE, of(organisation, id=subject)).mappings().one_or_none()
    if row is None:
        raise NotFound(KIND, subject)
    return row


def _set(connection: Connection, row: RowMapping, event: str, values: dict[str, Any]) -> Written[Webhook]:
    connection.execute(_SET, of(row["organisation"], id=row["id"]) | values)
    connection.execute(_COUNT_ANEW, of(row["organisation"]))
    return _written({**row, **values}, event)


def _written(row: dict[str, Any], event: str) -> Written[Webhook]:
    return Written(_wire(row), (Change(KIND, str(row["id"]), event),))


def _wire(row: RowMapping | dict[str, Any]) -> Webhook:
    told = {name: row[name] for name in ("url", "created", "both_until", "disabled", "why", "ended")}
    return Webhook(id=str(row["id"]), events=_EVENTS.decode(row["events"]), **told)
