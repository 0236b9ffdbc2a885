"""Keys that were looked up a moment ago: a revoked one is refused within a second."""

import time
from collections.abc import Callable
from datetime import datetime

from catchpan_service.store import keys
from catchpan_service.store.database import Access, Database
from catchpan_service.store.scopes import Scope

KEPT_SECONDS = 1.0
ROOM = 10_000


class Keyring:
    """Caches what a key may do, by its hash, for at most a second."""

    def __init__(self, ticks: Callable[[], float] = time.monotonic) -> None:
        self._ticks = ticks
        self._known: dict[str, tuple[float, Access]] = {}

    async def find(self, database: Database, presented: str, now: datetime) -> Access | None:
        """What the key with this hash may do; None for an unknown, revoked or expired one."""
        kept = self._known.get(presented)
        if kept is not None and self._ticks() - kept[0] < KEPT_SECONDS:
            return kept[1]
        found = await database.read_as(Scope(presented=presented), keys.find, presented, now)
        self.forget(presented)
        if found is not None:
            if len(self._known) >= ROOM:
                self._known.clear()
            self._known[presented] = (self._ticks(), found)
        return found

    def forget(self, presented: str) -> None:
        """Look this key up anew the next time."""
        self._known.pop(presented, None)
