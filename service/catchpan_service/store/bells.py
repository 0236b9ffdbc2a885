"""Who waits for the next change of an organisation: neither a thread nor a connection is held meanwhile."""

import asyncio
from uuid import UUID

_Waiting = tuple[asyncio.AbstractEventLoop, asyncio.Event]


class Bells:
    """One bell for each organisation; it is rung after a commit, from whatever thread."""

    def __init__(self) -> None:
        self._waiting: dict[UUID, set[_Waiting]] = {}

    def ring(self, organisation: UUID) -> None:
        """Wake all who wait for this organisation."""
        for loop, event in self._waiting.pop(organisation, set()):
            if not loop.is_closed():
                loop.call_soon_threadsafe(event.set)

    def listen(self, organisation: UUID) -> asyncio.Event:
        """An event that the next ring sets; listen first and look afterwards, so that no change is missed."""
        event = asyncio.Event()
        self._waiting.setdefault(organisation, set()).add((asyncio.get_running_loop(), event))
        return event

    def leave(self, organisation: UUID, event: asyncio.Event) -> None:
        """Listen no longer."""
        waiting = self._waiting.get(organisation, set())
        waiting.discard((asyncio.get_running_loop(), event))
        if not waiting:
            self._waiting.pop(organisation, None)

    def ring_all(self) -> None:
        """Wake everybody: the service stops."""
        for organisation in list(self._waiting):
            self.ring(organisation)
