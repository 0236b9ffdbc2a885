"""Rollouts go on by themselves: in the service's process, one organisation at a time, now and then.

Any number of processes may do so at once: each looks anew behind the lock of its write.
"""

import asyncio
import logging
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager, suppress

from litestar import Litestar
from sqlalchemy.exc import SQLAlchemyError

from catchpan_service.store import organisations, rollouts
from catchpan_service.store.database import Database, Order, Reply
from catchpan_service.store.errors import StoreError
from catchpan_service.store.organisations import StoredOrganisation
from catchpan_service.store.scopes import ADMINISTRATOR
from catchpan_service.store.writes import local_owner

OPERATION = "rollouts advance"
_LOG = logging.getLogger("catchpan.scheduler")


def advancing(database: Database, every: float) -> Callable[[Litestar], AbstractAsyncContextManager[None]]:
    """What Litestar's ``lifespan`` takes: while the service runs, advance all rollouts, ``every`` [s] anew."""

    @asynccontextmanager
    async def running(_: Litestar) -> AsyncIterator[None]:
        task = asyncio.create_task(_again_and_again(database, every))
        try:
            yield
        finally:
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task

    return running


async def advance_all(database: Database) -> None:
    """Make the moves that are due in every organisation; where one cannot be reached, the others still get theirs."""
    for one in await database.read_as(ADMINISTRATOR, organisations.all_of_them):
        try:
            await _advance(database, one)
        except (StoreError, SQLAlchemyError):
            _LOG.warning("rollouts of %s could not be advanced; tried again later", one.name, exc_info=True)


async def _advance(database: Database, one: StoredOrganisation) -> None:
    if await database.read(rollouts.is_live, one.id):
        order = Order(local_owner(one.id, one.name, one.units), OPERATION)
        await database.write(rollouts.advance, order, reply=lambda _: Reply(204, b""))


async def _again_and_again(database: Database, every: float) -> None:
    while True:
        await asyncio.sleep(every)
        try:
            await advance_all(database)
        except (StoreError, SQLAlchemyError):
            _LOG.warning("rollouts could not be advanced; tried again later", exc_info=True)
