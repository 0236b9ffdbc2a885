"""What the store refuses, and why; nothing here knows of the web.

StoreError
├── NotFound        no such thing in this organisation
├── Stale           somebody else changed it first; carries what is there now
├── Conflict        something else stands in its place, such as a name in use
├── Misformed       an item of a bulk change that is none
├── Refused         items of a bulk change that cannot be stored, each with what is wrong
├── KeyReused       an idempotency key that belongs to another request
├── BadCursor       a cursor that this list did not give
├── Gone            a place in the feed that can no longer be told
├── Busy            too many writes wait; try again
├── Held            another process works on this database file
├── Closed          the database was closed
├── Unreachable     the database does not answer; nothing was stored
├── Uncertain       it went away at the last moment: nobody knows whether the write was stored
├── BadLocation     the address of a database that cannot be used here
├── SchemaMismatch  a database made by a newer version, or not yet brought up to this one
└── Unfenced        row-level security would not hold
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path


class StoreError(Exception):
    """Base of every refusal by the store."""


class NotFound(StoreError):
    """No such thing in this organisation; ``field`` names the member that refers to it, if one does."""

    def __init__(self, kind: str, subject: object, *, field: str = "") -> None:
        super().__init__(f"There is no {kind} {subject}.")
        self.kind = kind
        self.subject = str(subject)
        self.field = field


@contextmanager
def named_by(field: str) -> Iterator[None]:
    """What is not found in here is what a member of the request refers to."""
    try:
        yield
    except NotFound as error:
        raise NotFound(error.kind, error.subject, field=field) from error


@dataclass(frozen=True)
class Bodies:
    """Three states of one thing, as JSON: what both began from (None where unknown), what is there, what was sent."""

    base: bytes | None
    theirs: bytes
    yours: bytes


class Stale(StoreError):
    """Another version than the one expected; ``current`` is the contract struct that is there now.

    ``bodies`` are there where something with a body was to be replaced.
    """

    def __init__(self, current: object, version: int, bodies: Bodies | None = None) -> None:
        super().__init__(f"It was changed in the meantime: the current version is {version}.")
        self.current = current
        self.version = version
        self.bodies = bodies


class Conflict(StoreError):
    """What is there already stands in the way; ``existing`` is its id, ``field`` the member that collides."""

    def __init__(self, message: str, *, field: str, existing: str) -> None:
        super().__init__(message)
        self.field = field
        self.existing = existing


class Misformed(StoreError):
    """An item of a bulk change that names nothing to put in place, or several things, or what it does not take."""


class Refused(StoreError):
    """A bulk change of which nothing is stored; ``items`` has an error for each item, None for a good one."""

    def __init__(self, items: Sequence[Exception | None]) -> None:
        wrong = [f"item {number}: {error}" for number, error in enumerate(items) if error is not None]
        super().__init__(f"{len(wrong)} of {len(items)} items cannot be stored, so that none is; {wrong[0]}")
        self.items = items


class KeyReused(StoreError):
    """The idempotency key was used for another request."""

    def __init__(self, key: str) -> None:
        super().__init__("This idempotency key was used for another request.")
        self.key = key


class BadCursor(StoreError):
    """A cursor that this list did not give out to this organisation."""

    def __init__(self) -> None:
        super().__init__("This cursor does not belong to this list.")


class Busy(StoreError):
    """No room for another write; ``retry_after`` [s] says when to try again."""

    def __init__(self, retry_after: int = 1) -> None:
        super().__init__(f"Too many writes are waiting; try again in {retry_after} s.")
        self.retry_after = retry_after


class Held(StoreError):
    """Another process works on the database file; ``pid`` is its number, where it could be read."""

    def __init__(self, path: Path, pid: int | None) -> None:
        who = f"process {pid}" if pid else "another process"
        super().__init__(f"{path} is in use by {who}; one process at a time works on a database file.")
        self.path = path
        self.pid = pid


class Closed(StoreError):
    """The database was closed."""

    def __init__(self) -> None:
        super().__init__("The database is closed.")


class Unreachable(StoreError):
    """The database does not answer; nothing was stored. ``retry_after`` [s] says when to try again."""

    def __init__(self, why: str = "", retry_after: int = 5) -> None:
        super().__init__(f"The database does not answer{why and ': '}{why}")
        self.retry_after = retry_after


class Uncertain(Unreachable):
    """The database went away while it was told to store a write: it may be stored or not."""


class BadLocation(StoreError, ValueError):
    """The address of a database that cannot be used here."""


class SchemaMismatch(StoreError):
    """A database whose schema this version cannot work with."""


class Gone(StoreError):
    """A place in the feed that can no longer be told; take a snapshot in its place."""

    def __init__(self) -> None:
        super().__init__(
            "The changes after this cursor can no longer be told: take a snapshot and replace what is held."
        )


class Unfenced(StoreError):
    """A database on which row-level security would not keep the organisations apart."""


class TransactionLost(Exception):
    """A write went on as if nothing had happened after its transaction had ended: a mistake, and nothing is stored."""
