"""What goes into a write and what comes out of it."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Generic, TypeVar
from uuid import UUID

from catchpan.contract.organisations import Role
from catchpan.quantities import System

T = TypeVar("T")

EVERYBODY: Final = "all"

# Stands for a key where somebody works on the database itself: formed like an id, but nobody can present it.
LOCAL_KEY: Final = UUID("00000000-0000-7000-8000-000000000000")


@dataclass(frozen=True)
class Access:
    """Who is asking: the organisation, the key, and what the key may do."""

    organisation: UUID
    organisation_name: str
    units: System
    key: UUID
    key_name: str
    role: Role
    branch: UUID | None = None
    last_used: datetime | None = None

    @property
    def within(self) -> UUID | None:
        """The branch whose part of things alone may be seen; None for all of them.

        A branch's key that was never given a branch sees what is for everybody.
        """
        return (self.branch or UUID(int=0)) if self.role == Role.BRANCH else None


def local_owner(organisation: UUID, name: str, units: System) -> Access:
    """The access of somebody who works on the database itself."""
    return Access(organisation, name, units, LOCAL_KEY, "administrator", Role.OWNER)


@dataclass(frozen=True)
class Order:
    """What one write request says beside its body; ``operation`` names the method and the path."""

    access: Access
    operation: str
    idempotency_key: str | None = None
    request_digest: str = ""
    dry_run: bool = False


@dataclass(frozen=True)
class Reply:
    """What is answered, and remembered under the idempotency key."""

    status: int
    body: bytes
    etag: str | None = None
    location: str | None = None


@dataclass(frozen=True)
class Stamp:
    """Handed to every write function: the instant (UTC, whole milliseconds), the id maker, who writes, and where.

    ``position`` is the one that the write gets in the feed, if it changes anything.
    """

    now: datetime
    new_id: Callable[[], UUID]
    access: Access
    position: int


@dataclass(frozen=True)
class Change:
    """One thing that a write changed; ``digest`` is that of its content, where it has one.

    ``audience`` says whom the feed tells beside the office: EVERYBODY, one branch (its id), or nobody. ``holding`` is
    the holding that began or ended, or the correction that began, as JSON, where that is what changed.
    """

    kind: str
    id: str
    event: str
    digest: str | None = None
    audience: str | None = None
    holding: bytes | None = None


@dataclass(frozen=True)
class Written(Generic[T]):
    """The answer of a write function, and what it changed; no changes, no trace."""

    answer: T
    changes: tuple[Change, ...]
