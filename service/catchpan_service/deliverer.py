"""Messages to webhooks go out by themselves: in the service's process, of all organisations at once, now and then.

Any number of processes may do so at once: each takes what it sends by a write of its own, and sends outside of it.
"""

import asyncio
import logging
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager, suppress
from typing import Final
from uuid import UUID

from litestar import Litestar
from sqlalchemy.exc import SQLAlchemyError

from catchpan_service.sender import Sender
from catchpan_service.store import deliveries, organisations, webhooks
from catchpan_service.store.database import Database, Order
from catchpan_service.store.deliveries import Outcome, Taken
from catchpan_service.store.errors import StoreError
from catchpan_service.store.organisations import StoredOrganisation
from catchpan_service.store.scopes import ADMINISTRATOR
from catchpan_service.store.writes import local_owner

OPERATION: Final = "webhooks deliver"
AT_ONCE: Final = 20  # messages of one organisation
_LOG = logging.getLogger("catchpan.deliverer")


class Deliverer:
    """Sends what is due; where an organisation's last look is not over yet, the next one leaves it out."""

    def __init__(self, database: Database, sender: Sender) -> None:
        self._database = database
        self.sender = sender
        self._busy: set[UUID] = set()

    async def deliver_all(self) -> None:
        """Send what is due in every organisation; where one cannot be reached, the others still get theirs."""
        found = await self._database.read_as(ADMINISTRATOR, organisations.all_of_them)
        await asyncio.gather(*(self._deliver_or_say(one) for one in found if one.id not in self._busy))

    async def _deliver_or_say(self, one: StoredOrganisation) -> None:
        self._busy.add(one.id)
        try:
            while await self._deliver_some(one):
                pass
        except (StoreError, SQLAlchemyError):
            _LOG.warning("messages of %s could not be sent; tried again later", one.name, exc_info=True)
        finally:
            self._busy.discard(one.id)

    async def _deliver_some(self, one: StoredOrganisation) -> bool:
        """Send one handful of messages; whether there may be more."""
        order = Order(local_owner(one.id, one.name, one.units), OPERATION)
        now = self.sender.now()
        if not await self._database.read(deliveries.is_due, one.id, now):
            return False
        taken = await asyncio.to_thread(self._take, order)
        outcomes = await asyncio.gather(*(self.sender.send(message) for message in taken))
        await asyncio.to_thread(self._hear, order, outcomes)
        return bool(taken)

    def _take(self, order: Order) -> list[Taken]:
        return self._database.write_now(deliveries.take, order, AT_ONCE)

    def _hear(self, order: Order, outcomes: list[Outcome]) -> None:
        self._database.write_now(webhooks.hear, order, outcomes)


def delivering(deliverer: Deliverer, every: float) -> Callable[[Litestar], AbstractAsyncContextManager[None]]:
    """What Litestar's ``lifespan`` takes: while the service runs, send what is due, ``every`` [s] anew."""

    @asynccontextmanager
    async def running(_: Litestar) -> AsyncIterator[None]:
        task = asyncio.create_task(_again_and_again(deliverer, every))
        try:
            yield
        finally:
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task
            await deliverer.sender.aclose()

    return running


async def _again_and_again(deliverer: Deliverer, every: float) -> None:
    """A look does not wait for the one before: slow receivers of one organisation are waited for by it alone."""
    async with asyncio.TaskGroup() as looks:
        while True:
            await asyncio.sleep(every)
            looks.create_task(_look(deliverer))


async def _look(deliverer: Deliverer) -> None:
    try:
        await deliverer.deliver_all()
    except Exception:  # noqa: BLE001  whatever it was, the next look is made
        _LOG.warning("messages to webhooks could not be sent; tried again later", exc_info=True)
