"""What a branch should hold, and how it hears of changes: holdings, manifests, signed heads and the feed.

A manifest, its exceptions and a head are sent as the canonical bytes (RFC 8785) that their digests and signatures are
of, so that verifying is hashing what arrived.
"""

from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta

from catchpan.contract.base import Count, Digest, Id, Instant, Name, OpenEnum, Wire
from catchpan.contract.corrections import Correction
from catchpan.contract.profiles import Number, State

MAX_WAIT = 50

Raw = msgspec.Raw
NULL = Raw(b"null")
"""Stands where there are no bytes to send: a raw member cannot be None."""


def _or_null(name: str) -> dict[str, Any]:
    return {"anyOf": [{"$ref": f"#/components/schemas/{name}"}, {"type": "null"}]}


Position = Annotated[int, Meta(ge=0, lt=2**53, description="One for each write of the organisation, without gaps.")]
Epoch = Annotated[int, Meta(ge=1, le=2**31, description="Raised when the database was restored from a copy.")]
Cursor = Annotated[str, Meta(min_length=1, max_length=300, description="Where the feed goes on; opaque.")]
Scope = Annotated[
    str, Meta(min_length=1, max_length=60, description="organisation, or branch: and the id of a branch.")
]
Signature = Annotated[str, Meta(pattern="^[0-9a-f]{128}$", description="Ed25519 (RFC 8032) over the bytes, in hex.")]
PublicKey = Annotated[str, Meta(pattern="^[0-9a-f]{64}$", description="Ed25519 public key, in hex.")]


class Target(OpenEnum):
    """For whom a holding is; the narrowest wins."""

    ORGANISATION = "organisation"
    BRANCH = "branch"
    MACHINE = "machine"


class Entry(Wire, kw_only=True, frozen=True, gc=False):
    """One line of a manifest: the revision of a profile to be used, and what must be known of it.

    ``valid_until`` ends a provisional revision. Moments are whole milliseconds.
    """

    profile: Id
    name: Name
    machine_kind: Id
    number: Number
    digest: Digest
    state: State
    check_due: Instant | None
    valid_until: Instant | None


class Manifest(Wire, kw_only=True, frozen=True):
    """What everybody in a scope should hold, by profile: equal digests prove equal content."""

    format: Literal[1]
    profiles: list[Entry]


class TargetEntry(Wire, kw_only=True, frozen=True):
    """What one branch or one machine should hold instead."""

    target: Target
    id: Id
    entry: Entry


class UnsafeRevision(Wire, kw_only=True, frozen=True):
    """A revision that nobody may use any more."""

    profile: Id
    number: Number
    digest: Digest


class Exceptions(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """What differs from the manifest, digested apart: corrections, what single targets hold, and what is unsafe."""

    corrections: list[Correction] = []
    format: Literal[1]
    holdings: list[TargetEntry]
    unsafe: list[UnsafeRevision]


class ManifestAnswer(Wire, kw_only=True, frozen=True):
    """A manifest and its exceptions at a position."""

    scope: Scope
    epoch: Epoch
    position: Position
    manifest_digest: Digest
    exceptions_digest: Digest
    manifest: Annotated[Raw, Meta(extra_json_schema={"$ref": "#/components/schemas/Manifest"})]
    exceptions: Annotated[Raw, Meta(extra_json_schema={"$ref": "#/components/schemas/Exceptions"})]


class Head(Wire, kw_only=True, frozen=True):
    """What is signed: the digests of a scope at a position, and until when this proves anything."""

    format: Literal[1]
    organisation: Id
    scope: Scope
    epoch: Epoch
    position: Position
    manifest: Digest
    exceptions: Digest
    expires: Instant


class SignedHead(Wire, kw_only=True, frozen=True):
    """A head as the bytes that were signed, the signature, and the public key that verifies it."""

    head: Annotated[Raw, Meta(extra_json_schema={"$ref": "#/components/schemas/Head"})]
    signature: Signature
    key: PublicKey


class SigningKey(Wire, kw_only=True, frozen=True):
    """A public key; ``introduction`` is the signature of the key before over it, none for the first."""

    key: PublicKey
    created: Instant
    introduction: Signature | None


class SigningKeys(Wire, kw_only=True, frozen=True):
    """All public keys of the organisation, oldest first; the last one signs."""

    items: list[SigningKey]


class HoldingChange(Wire, kw_only=True, frozen=True, gc=False):
    """A holding that began at a position of the feed, or one that ended there (``entry`` is null)."""

    target: Target
    id: Id
    profile: Id
    entry: Annotated[Raw, Meta(extra_json_schema=_or_null("Entry"))]


class FeedItem(Wire, kw_only=True, frozen=True, gc=False):
    """One change. ``content`` is there for a holding that began, where contents were asked for.

    ``correction`` is there for one that began.
    """

    position: Position
    n: Count
    kind: str
    id: str
    event: str
    digest: Digest | None
    holding: HoldingChange | None
    correction: Annotated[Raw, Meta(extra_json_schema=_or_null("Correction"))]
    content: Annotated[Raw, Meta(extra_json_schema=_or_null("Content"))]


class FeedPage(Wire, kw_only=True, frozen=True):
    """Changes after a cursor, in order. Every change at or before ``complete_through`` has been sent with this page."""

    items: list[FeedItem]
    next: Cursor
    complete_through: Position
    epoch: Epoch
    more: bool


class SnapshotItem(Wire, kw_only=True, frozen=True, gc=False):
    """One holding with its content; ``entry`` is the canonical bytes."""

    target: Target
    id: Id
    entry: Annotated[Raw, Meta(extra_json_schema={"$ref": "#/components/schemas/Entry"})]
    content: Annotated[Raw, Meta(extra_json_schema={"$ref": "#/components/schemas/Content"})]


class SnapshotPage(Wire, kw_only=True, frozen=True):
    """Part of all holdings of a scope at a position; ``next`` goes on at the same position.

    The last page has no ``next``; it brings corrections, what is unsafe, and the ``cursor`` where the feed goes on.
    """

    scope: Scope
    epoch: Epoch
    position: Position
    items: list[SnapshotItem]
    corrections: list[Annotated[Raw, Meta(extra_json_schema={"$ref": "#/components/schemas/Correction"})]]
    unsafe: list[UnsafeRevision]
    next: Cursor | None
    cursor: Cursor | None


class ReplicaReport(Wire, kw_only=True, frozen=True):
    """What a branch's replica holds, as the replica says."""

    epoch: Epoch
    position: Position
    manifest: Digest
    exceptions: Digest


class Standing(OpenEnum):
    """How a branch's replica stands to what the organisation released."""

    IN_STEP = "in_step"
    BEHIND = "behind"
    DIFFERENT = "different"
    NOT_HEARD_OF = "not_heard_of"


class BranchStatus(Wire, kw_only=True, frozen=True):
    """One branch: what it said that it holds, when, how that stands, since when, and why."""

    branch: Id
    name: Name
    standing: Standing
    why: str
    reported: Instant | None
    position: Position | None
    manifest: Digest | None
    wanted_manifest: Digest
    behind_since: Instant | None


class SyncStatus(Wire, kw_only=True, frozen=True):
    """Every branch at the present position."""

    epoch: Epoch
    position: Position
    branches: list[BranchStatus]
