"""Who is asking: the organisation of a key, and what the key may do."""

from typing import Annotated, Literal

from msgspec import Meta

from catchpan.contract.base import Id, Instant, Name, OpenEnum, Wire
from catchpan.quantities import System


class Role(OpenEnum):
    """What a key may do: an owner everything, a calibrator save and release, a branch and a reader read.

    One with the role calendar opens the calendar of what is due, and nothing else.
    """

    OWNER = "owner"
    CALIBRATOR = "calibrator"
    BRANCH = "branch"
    READER = "reader"
    CALENDAR = "calendar"


class Organisation(Wire, kw_only=True, frozen=True):
    """The organisation of the key that asked, and the key itself."""

    id: Id
    name: Name
    units: System
    key: Id
    key_name: Name
    role: Role
    branch: Id | None


SecretHash = Annotated[
    str, Meta(pattern="^[0-9a-f]{64}$", description="SHA-256 (hex) of the secret's text, which stays with its holder.")
]


class KeyRequest(Wire, kw_only=True, frozen=True):
    """A new key. Whoever asks makes the secret, ``catchpan-`` and 43 random characters, and sends only its hash."""

    name: Name
    role: Literal["owner", "calibrator", "branch", "reader", "calendar"]
    hash: SecretHash
    branch: Id | None = None
    expires: Instant | None = None


class KeyRotation(Wire, kw_only=True, frozen=True):
    """A secret that takes the place of another, which ends after some hours, so that both work meanwhile."""

    hash: SecretHash
    overlap_hours: Annotated[int, Meta(ge=0, le=720)] = 24


class Key(Wire, kw_only=True, frozen=True):
    """A key as stored: all but its secret. ``last_used`` is noted hourly at most."""

    id: Id
    name: Name
    role: Role
    branch: Id | None
    created: Instant
    expires: Instant | None
    revoked: Instant | None
    last_used: Instant | None


class Keys(Wire, kw_only=True, frozen=True):
    """Every key of the organisation, oldest first."""

    items: list[Key]


class Health(Wire, kw_only=True, frozen=True):
    """Whether the service is up, or ready to answer."""

    status: Literal["ok"]
    version: str
