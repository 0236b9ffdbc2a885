"""Who waits for the next change of an organisation: neither a thread nor a connection is held meanwhile."""

import asyncio
import threading
from uuid import UUID

_Waiting = tuple[asyncio.AbstractEventLoop, asyncio.Event]


class Bells:
    """One bell for each organisation; it is rung after a commit by the thread that wrote, and heard on event loops."""

    def __init__(self) -> None:
        self._gate = threading.Lock()
        self._waiting: dict[UUID, set[_Waiting]] = {}
        self._rung: dict[UUID, int] = {}

    def rung(self, organisation: UUID) -> int:
        """How often this organisation's bell was rung."""
        return self._rung.get(organisation, 0)

    def ring(self, organisation: UUID) -> None:
        """Wake all who wait for this organisation."""
        with self._gate:
            self._rung[organisation] = self.rung(organisation) + 1
            waiting = self._waiting.pop(organisation, set())
        for loop, event in waiting:
            if not loop.is_closed():
                loop.call_soon_threadsafe(event.set)

    def listen(self, organisation: UUID) -> asyncio.Event:
        """An event that the next ring sets; listen first and look afterwards, so that no change is missed."""
        event = asyncio.Event()
        with self._gate:
            self._waiting.setdefault(organisation, set()).add((asyncio.get_running_loop(), event))
        return event

    def leave(self, organisation: UUID, event: asyncio.Event) -> None:
        """Listen no longer."""
        with self._gate:
            waiting = self._waiting.get(organisation, set())
            waiting.discard((asyncio.get_running_loop(), event))
            if not waiting:
                self._waiting.pop(organisation, None)
