"""The one way to the database: runs store functions, and does the bookkeeping of every write.

A write function touches its own tables and says what it changed. Here alone its answer is looked up and remembered
under the idempotency key, the counter raised, the changes listed, the messages to webhooks written and the audit chain
made longer: all in the transaction of the write. A dry run does the same and is undone; it does not look at the
idempotency key.
"""

import asyncio
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Final, Self, TypeVar, TypeVarTuple
from uuid import UUID

from sqlalchemy import Connection

from catchpan_service.store import audit, deliveries, feed, idempotency
from catchpan_service.store.bells import Bells
from catchpan_service.store.engines import StoreEngine, open_engine
from catchpan_service.store.feed import Head
from catchpan_service.store.scopes import Scope
from catchpan_service.store.writes import Access, Change, Order, Reply, Stamp, Written

__all__ = ["Access", "Change", "Database", "Order", "Reply", "Stamp", "Written"]

T = TypeVar("T")
Ts = TypeVarTuple("Ts")

WriteFunction = Callable[[Connection, UUID, Stamp, *Ts], Written[T]]

ROOM: Final = 1000  # calls that may wait
CONNECTIONS: Final = 8  # to PostgreSQL
LOOK_EVERY: Final = 0.5  # [s]
FORGET_EVERY: Final = 100  # positions between two clearings of old idempotency keys


class Database:
    """Store functions on one database.

    Parameters
    ----------
    engine : StoreEngine
        Where they run.
    clock : callable
        The instant now, with its zone.
    new_id : callable
        A new UUIDv7.
    """

    def __init__(self, engine: StoreEngine, *, clock: Callable[[], datetime], new_id: Callable[[], UUID]) -> None:
        self._engine = engine
        self._clock = clock
        self._new_id = new_id
        self._bells = Bells()

    @classmethod
    def open(
        cls,
        location: str | Path,
        *,
        clock: Callable[[], datetime],
        new_id: Callable[[], UUID],
        migrate: bool = True,
        room: int = ROOM,
        connections: int = CONNECTIONS,
    ) -> Self:
        """Open the database at a location, made or brought up to date first where ``migrate`` says so.

        Parameters
        ----------
        location : str or Path
            The path of an SQLite file, or an address that begins with postgresql+psycopg://.
        clock, new_id : callable
            The instant now, and a new UUIDv7.
        migrate : bool
            Whether to make it or bring it up to date first.
        room : int
            Calls that may wait; one more is refused with Busy.
        connections : int
            Connections to PostgreSQL.

        Raises
        ------
        Held
            Another process works on the file.
        SchemaMismatch
            A newer version made it; or it is not up to date, and ``migrate`` is false.
        Unreachable, Unfenced, BadLocation
            PostgreSQL does not answer, or would not keep the organisations apart; an address of something else.
        """
        engine = open_engine(location, migrate=migrate, room=room, connections=connections)
        return cls(engine, clock=clock, new_id=new_id)

    def close(self) -> None:
        """Finish the writes that wait, and let go of the database."""
        self._engine.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    async def read(self, function: Callable[[Connection, UUID, *Ts], T], organisation: UUID, *args: *Ts) -> T:
        """The result of a function that reads an organisation's rows, on one snapshot."""
        return await self._engine.read(
            lambda connection: function(connection, organisation, *args), Scope(organisation)
        )

    def read_now(self, function: Callable[[Connection, UUID, *Ts], T], organisation: UUID, *args: *Ts) -> T:
        """``read`` without an event loop."""
        return self._engine.read_now(lambda connection: function(connection, organisation, *args), Scope(organisation))

    async def read_as(self, scope: Scope, function: Callable[[Connection, *Ts], T], *args: *Ts) -> T:
        """``read`` of what is in another scope than one organisation."""
        return await self._engine.read(lambda connection: function(connection, *args), scope)

    def read_now_as(self, scope: Scope, function: Callable[[Connection, *Ts], T], *args: *Ts) -> T:
        """``read_as`` without an event loop."""
        return self._engine.read_now(lambda connection: function(connection, *args), scope)

    async def read_apart(self, function: Callable[[Connection, UUID, *Ts], T], organisation: UUID, *args: *Ts) -> T:
        """``read`` on a thread of its own, for what may take longer than a look at a few rows."""
        return await asyncio.to_thread(lambda: self.read_now(function, organisation, *args))

    def writes_heard(self, organisation: UUID) -> int | None:
        """How many writes of an organisation ended here; None where other processes write too."""
        return self._bells.rung(organisation) if self._engine.hears_all else None

    async def wait_beyond(self, organisation: UUID, position: int, seconds: float) -> None:
        """Return when the feed of an organisation has gone beyond a position, or when the time [s] is over.

        Neither a thread nor a connection is held meanwhile. Where other processes write too, it looks twice a second.
        """
        now = asyncio.get_running_loop().time
        ends, look_again = now() + seconds, seconds if self._engine.hears_all else LOOK_EVERY
        while (left := ends - now()) > 0:
            bell = self._bells.listen(organisation)
            try:
                if (await self.read(feed.state, organisation)).position > position:
                    return
                with suppress(TimeoutError):
                    await asyncio.wait_for(bell.wait(), min(left, look_again))
            finally:
                self._bells.leave(organisation, bell)

    async def write(
        self, function: WriteFunction[*Ts, T], order: Order, *args: *Ts, reply: Callable[[T], Reply]
    ) -> Reply:
        """Run a function that writes, and give the reply once it is stored; a caller who leaves does not undo it.

        The reply is the remembered one where the order's idempotency key was answered before. What the function
        raises is raised here, with nothing stored and nothing remembered.
        """

        def run(connection: Connection, head: Head) -> Reply:
            return self._answer(connection, head, function, order, args, reply)

        return await asyncio.wrap_future(self._submit(run, order))

    def write_now(self, function: WriteFunction[*Ts, T], order: Order, *args: *Ts, administrator: bool = False) -> T:
        """Run a function that writes, and give its answer once it is stored; without an idempotency key.

        ``administrator`` lets it see the list of organisations.
        """

        def run(connection: Connection, head: Head) -> T:
            return self._perform(connection, head, function, order, args)

        return self._submit(run, order, administrator=administrator).result()

    def _submit(
        self, run: Callable[[Connection, Head], T], order: Order, *, administrator: bool = False
    ) -> "Future[T]":
        """Hand a write to the engine, and ring once it is stored."""
        organisation = order.access.organisation
        future = self._engine.submit(run, organisation, keep=not order.dry_run, administrator=administrator)
        future.add_done_callback(lambda _: self._bells.ring(organisation))
        return future

    def _answer(
        self,
        connection: Connection,
        head: Head,
        function: WriteFunction[*Ts, T],
        order: Order,
        args: tuple[*Ts],
        reply: Callable[[T], Reply],
    ) -> Reply:
        if order.dry_run:
            return reply(self._perform(connection, head, function, order, args))
        known = idempotency.recall(connection, order)
        if known is not None:
            return known
        told = reply(self._perform(connection, head, function, order, args))
        idempotency.remember(connection, order, told, self._now())
        return told

    def _perform(
        self, connection: Connection, head: Head, function: WriteFunction[*Ts, T], order: Order, args: tuple[*Ts]
    ) -> T:
        organisation = order.access.organisation
        stamp = Stamp(self._now(), self._new_id, order.access, head.position + 1)
        written = function(connection, organisation, stamp, *args)
        if written.changes:
            after = audit.append(
                connection,
                organisation,
                head,
                at=stamp.now,
                key=order.access.key,
                operation=order.operation,
                made=written.changes,
            )
            feed.advance(connection, organisation, after, written.changes)
            if head.hearing:
                deliveries.queue(connection, organisation, stamp, written.changes)
            if after.position % FORGET_EVERY == 0:
                idempotency.forget(connection, organisation, stamp.now)
        return written.answer

    def _now(self) -> datetime:
        now = self._clock()
        return now.replace(microsecond=now.microsecond // 1000 * 1000)
