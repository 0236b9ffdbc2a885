"""Answers remembered under the key that a client chose, in the same transaction as their effect."""

from datetime import datetime, timedelta
from typing import Final
from uuid import UUID

from sqlalchemy import Connection, bindparam, delete, insert, select

from catchpan_service.store.errors import KeyReused
from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import idempotency
from catchpan_service.store.writes import Order, Reply

KEPT: Final = timedelta(days=7)

_ONE: Final = select(idempotency).where(*owned(idempotency, "key"))
_ADD: Final = insert(idempotency)
_FORGET: Final = delete(idempotency).where(*owned(idempotency), idempotency.c.at < bindparam("before"))


def recall(connection: Connection, order: Order) -> Reply | None:
    """The answer that was given to this request before; KeyReused if the key went with another request."""
    if order.idempotency_key is None:
        return None
    row = connection.execute(_ONE, of(order.access.organisation, key=order.idempotency_key)).one_or_none()
    if row is None:
        return None
    if (row.operation, row.request_digest) != (order.operation, order.request_digest):
        raise KeyReused(order.idempotency_key)
    return Reply(row.status, row.body, row.etag, row.location)


def remember(connection: Connection, order: Order, reply: Reply, at: datetime) -> None:
    """Keep the answer to a request that named a key."""
    if order.idempotency_key is None:
        return
    said = {
        "organisation": order.access.organisation,
        "key": order.idempotency_key,
        "operation": order.operation,
        "request_digest": order.request_digest,
    }
    connection.execute(_ADD, said | vars(reply) | {"at": at})


def forget(connection: Connection, organisation: UUID, now: datetime) -> None:
    """Drop the answers that are older than the time they are kept for."""
    connection.execute(_FORGET, of(organisation) | {"before": now - KEPT})
