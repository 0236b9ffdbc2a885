"""Answers remembered under the key that a client chose, in the same transaction as their effect."""

from datetime import datetime, timedelta
from typing import Final
from uuid import UUID

from sqlalchemy import Connection, delete, insert, select

from catchpan_service.store.errors import KeyReused
from catchpan_service.store.tables import idempotency
from catchpan_service.store.writes import Order, Reply

KEPT: Final = timedelta(days=7)


def recall(connection: Connection, order: Order) -> Reply | None:
    """The answer that was given to this request before; KeyReused if the key went with another request."""
    if order.idempotency_key is None:
        return None
    row = connection.execute(
        select(idempotency).where(
            idempotency.c.organisation == order.access.organisation, idempotency.c.key == order.idempotency_key
        )
    ).one_or_none()
    if row is None:
        return None
    if (row.operation, row.request_digest) != (order.operation, order.request_digest):
        raise KeyReused(order.idempotency_key)
    return Reply(row.status, row.body, row.etag, row.location)


def remember(connection: Connection, order: Order, reply: Reply, at: datetime) -> None:
    """Keep the answer to a request that named a key."""
    if order.idempotency_key is None:
        return
    connection.execute(
        insert(idempotency).values(
            organisation=order.access.organisation,
            key=order.idempotency_key,
            operation=order.operation,
            request_digest=order.request_digest,
            status=reply.status,
            body=reply.body,
            etag=reply.etag,
            location=reply.location,
            at=at,
        )
    )


def forget(connection: Connection, organisation: UUID, now: datetime) -> None:
    """Drop the answers that are older than the time they are kept for."""
    connection.execute(
        delete(idempotency).where(idempotency.c.organisation == organisation, idempotency.c.at < now - KEPT)
    )
