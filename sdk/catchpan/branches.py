"""Branches and sync of the client, generated from abranches.py by sdk/generate_client.py: change that one."""

from abc import ABC, abstractmethod
from collections.abc import Iterator
from typing import TypeVar

from catchpan import calls
from catchpan.calls import Call
from catchpan.contract.branches import Branch, BranchPage, BranchRequest, Machine, MachinePage, MachineRequest
from catchpan.contract.bulk import BulkAnswer, BulkAnswers, BulkItem
from catchpan.contract.organisations import Key, KeyRequest, KeyRotation, Keys
from catchpan.contract.sync import (
    FeedPage,
    ManifestAnswer,
    ReplicaReport,
    SignedHead,
    SigningKeys,
    SnapshotPage,
    SyncStatus,
)

T = TypeVar("T")


class Branches(ABC):
    """Where the machines are, who may ask, and how each branch comes to hold what was released."""

    @abstractmethod
    def run(self, call: Call[T], *, idempotency_key: str | None = None) -> T:
        """Send a call and read its answer."""

    def add_branch(
        self, request: BranchRequest, *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> Branch:
        """Add a branch."""
        return self.run(calls.add_branch(request, dry_run), idempotency_key=idempotency_key)

    def branches(self, *, after: str | None = None, limit: int | None = None) -> BranchPage:
        """One page of branches."""
        return self.run(calls.branches(after, limit))

    def all_branches(self) -> Iterator[Branch]:
        """Every branch, page by page."""
        page = self.branches()
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = self.branches(after=page.next)

    def branch(self, id: str) -> Branch:
        """One branch."""
        return self.run(calls.branch(id))

    def replace_branch(self, id: str, request: BranchRequest, *, version: int, dry_run: bool = False) -> Branch:
        """Replace a branch that is still at ``version``; StaleError otherwise."""
        return self.run(calls.replace_branch(id, request, version, dry_run))

    def add_machine(
        self, request: MachineRequest, *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> Machine:
        """Add a machine."""
        return self.run(calls.add_machine(request, dry_run), idempotency_key=idempotency_key)

    def machines(
        self, *, branch: str | None = None, after: str | None = None, limit: int | None = None
    ) -> MachinePage:
        """One page of machines, of one branch or of all."""
        return self.run(calls.machines(branch, after, limit))

    def all_machines(self, *, branch: str | None = None) -> Iterator[Machine]:
        """Every machine, page by page."""
        page = self.machines(branch=branch)
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = self.machines(branch=branch, after=page.next)

    def machine(self, id: str) -> Machine:
        """One machine."""
        return self.run(calls.machine(id))

    def replace_machine(
        self, id: str, request: MachineRequest, *, version: int, dry_run: bool = False
    ) -> Machine:
        """Replace a machine that is still at ``version``; StaleError otherwise."""
        return self.run(calls.replace_machine(id, request, version, dry_run))

    def report_replica(
        self, branch: str, request: ReplicaReport, *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> ReplicaReport:
        """Say what the replica of a branch holds."""
        return self.run(calls.report_replica(branch, request, dry_run), idempotency_key=idempotency_key)

    def add_key(self, request: KeyRequest, *, dry_run: bool = False, idempotency_key: str | None = None) -> Key:
        """Add a key, by the hash of its secret; the secret itself is never sent."""
        return self.run(calls.add_key(request, dry_run), idempotency_key=idempotency_key)

    def keys(self) -> Keys:
        """Every key of the organisation."""
        return self.run(calls.keys())

    def rotate_key(
        self, id: str, request: KeyRotation, *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> Key:
        """Make a key in place of another, which goes on working for some hours."""
        return self.run(calls.rotate_key(id, request, dry_run), idempotency_key=idempotency_key)

    def revoke_key(self, id: str, *, dry_run: bool = False, idempotency_key: str | None = None) -> Key:
        """End a key, from the next second on."""
        return self.run(calls.revoke_key(id, dry_run), idempotency_key=idempotency_key)

    def changes(
        self,
        *,
        branch: str | None = None,
        after: str | None = None,
        wait: float | None = None,
        limit: int | None = None,
        contents: bool = False,
    ) -> FeedPage:
        """Changes after a cursor, in order; ``wait`` seconds for one if there is none. GoneError: take a snapshot."""
        return self.run(calls.changes(branch, after, wait, limit, contents))

    def manifest(self, *, branch: str | None = None, at: int | None = None) -> ManifestAnswer:
        """What the organisation or a branch should hold, now or at a position."""
        return self.run(calls.manifest(branch, at))

    def head(self, *, branch: str | None = None, at: int | None = None) -> SignedHead:
        """The digests of a scope, now or at a position, signed."""
        return self.run(calls.head(branch, at))

    def snapshot(
        self, *, branch: str | None = None, after: str | None = None, limit: int | None = None
    ) -> SnapshotPage:
        """One page of everything that a scope holds, with contents."""
        return self.run(calls.snapshot(branch, after, limit))

    def signing_keys(self) -> SigningKeys:
        """The public keys that sign heads, oldest first."""
        return self.run(calls.signing_keys())

    def sync_status(self) -> SyncStatus:
        """How every branch's replica stands to what was released."""
        return self.run(calls.sync_status())

    def bulk(
        self, items: list[BulkItem], *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> BulkAnswer:
        """Put materials, machine kinds, branches, machines and commissionings in place, all of them or none."""
        return self.run(calls.bulk(items, dry_run), idempotency_key=idempotency_key)

    def bulk_items(
        self, items: list[BulkItem], *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> BulkAnswers:
        """The same in one write, but each by itself: the answer has a result or a problem for each."""
        return self.run(calls.bulk_items(items, dry_run), idempotency_key=idempotency_key)
