"""Rollouts of the client, generated from arollouts.py by sdk/generate_client.py: change that one."""

from abc import ABC, abstractmethod
from collections.abc import Iterator
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


class RolloutCalls(ABC):
    """Machines that take up a revision in waves, before it is released to everybody."""

    @abstractmethod
    def run(self, call: Call[T], *, idempotency_key: str | None = None) -> T:
        """Send a call and read its answer."""

    def add_rollout(
        self, request: RolloutRequest, *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> RolloutPlan:
        """Begin a rollout; ``dry_run`` tells the plan, and what it changes on the ground."""
        return self.run(calls.add_rollout(request, dry_run), idempotency_key=idempotency_key)

    def rollouts(self, *, after: str | None = None, limit: int | None = None) -> RolloutPage:
        """One page of rollouts."""
        return self.run(calls.rollouts(after, limit))

    def all_rollouts(self) -> Iterator[RolloutSummary]:
        """Every rollout, page by page."""
        page = self.rollouts()
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = self.rollouts(after=page.next)

    def rollout(self, id: str) -> Rollout:
        """One rollout, and how many machines of each wave stand where."""
        return self.run(calls.rollout(id))

    def rollout_machines(
        self,
        id: str,
        *,
        after: str | None = None,
        limit: int | None = None,
    ) -> RolloutMachinePage:
        """One page of the machines of a rollout."""
        return self.run(calls.rollout_machines(id, after, limit))

    def all_rollout_machines(self, id: str) -> Iterator[RolloutMachine]:
        """Every machine of a rollout, page by page."""
        page = self.rollout_machines(id)
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = self.rollout_machines(id, after=page.next)

    def hold_rollout(self, id: str, reason: str, *, version: int, dry_run: bool = False) -> Rollout:
        """Let no further wave begin; StaleError where the rollout is not at ``version`` any more."""
        return self.run(calls.move_rollout(id, "hold", reason, version, dry_run))

    def resume_rollout(self, id: str, reason: str, *, version: int, dry_run: bool = False) -> Rollout:
        """Go on with a rollout that is held: deadlines count anew."""
        return self.run(calls.move_rollout(id, "resume", reason, version, dry_run))

    def undo_rollout(self, id: str, reason: str, *, version: int, dry_run: bool = False) -> Rollout:
        """Let every machine of a rollout go back to what its branch or everybody holds."""
        return self.run(calls.move_rollout(id, "undo", reason, version, dry_run))

    def advance_rollouts(self, *, dry_run: bool = False, idempotency_key: str | None = None) -> Rollouts:
        """Make the moves that are due; the service does so by itself now and then."""
        return self.run(calls.advance_rollouts(dry_run), idempotency_key=idempotency_key)
