"""Rollouts of the asynchronous client. The synchronous twin, rollouts.py, is generated from it."""

from abc import ABC, abstractmethod
from collections.abc import AsyncIterator
from typing import TypeVar

from catchpan import calls
from catchpan.calls import Call
from catchpan.contract.rollouts import (
    Rollout,
    RolloutMachine,
    RolloutMachinePage,
    RolloutPage,
    RolloutPlan,
    RolloutRequest,
    Rollouts,
    RolloutSummary,
)

T = TypeVar("T")


class AsyncRollouts(ABC):
    """Machines that take up a revision in waves, before it is released to everybody."""

    @abstractmethod
    async def run(self, call: Call[T], *, idempotency_key: str | None = None) -> T:
        """Send a call and read its answer."""

    async def add_rollout(
        self, request: RolloutRequest, *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> RolloutPlan:
        """Begin a rollout; ``dry_run`` tells the plan, and what it changes on the ground."""
        return await self.run(calls.add_rollout(request, dry_run), idempotency_key=idempotency_key)

    async def rollouts(self, *, after: str | None = None, limit: int | None = None) -> RolloutPage:
        """One page of rollouts."""
        return await self.run(calls.rollouts(after, limit))

    async def all_rollouts(self) -> AsyncIterator[RolloutSummary]:
        """Every rollout, page by page."""
        page = await self.rollouts()
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = await self.rollouts(after=page.next)

    async def rollout(self, id: str) -> Rollout:
        """One rollout, and how many machines of each wave stand where."""
        return await self.run(calls.rollout(id))

    async def rollout_machines(
        self,
        id: str,
        *,
        after: str | None = None,
        limit: int | None = None,
    ) -> RolloutMachinePage:
        """One page of the machines of a rollout."""
        return await self.run(calls.rollout_machines(id, after, limit))

    async def all_rollout_machines(self, id: str) -> AsyncIterator[RolloutMachine]:
        """Every machine of a rollout, page by page."""
        page = await self.rollout_machines(id)
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = await self.rollout_machines(id, after=page.next)

    async def hold_rollout(self, id: str, reason: str, *, version: int, dry_run: bool = False) -> Rollout:
        """Let no further wave begin; StaleError where the rollout is not at ``version`` any more."""
        return await self.run(calls.move_rollout(id, "hold", reason, version, dry_run))

    async def resume_rollout(self, id: str, reason: str, *, version: int, dry_run: bool = False) -> Rollout:
        """Go on with a rollout that is held: deadlines count anew."""
        return await self.run(calls.move_rollout(id, "resume", reason, version, dry_run))

    async def undo_rollout(self, id: str, reason: str, *, version: int, dry_run: bool = False) -> Rollout:
        """Let every machine of a rollout go back to what its branch or everybody holds."""
        return await self.run(calls.move_rollout(id, "undo", reason, version, dry_run))

    async def advance_rollouts(self, *, dry_run: bool = False, idempotency_key: str | None = None) -> Rollouts:
        """Make the moves that are due; the service does so by itself now and then."""
        return await self.run(calls.advance_rollouts(dry_run), idempotency_key=idempotency_key)
