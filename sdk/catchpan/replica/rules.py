"""What a replica believes: pure functions over what arrived and what is held. No input or output, no clock.

The order of trust: a pinned public key, keys that it introduced, a head that one of them signed, the manifest whose
digest stands in the head, the contents whose digests stand in the manifest.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Final, NamedTuple

import msgspec

from catchpan.contract.sync import Entry, FeedItem, Head, SignedHead, SigningKey, SnapshotItem, Target, UnsafeRevision
from catchpan.digest import digest
from catchpan.manifests import Documents, Held, Unsafe, documents
from catchpan.replica.errors import DifferentError, OutOfDateError, RolledBackError, WrongKeyError
from catchpan.replica.signatures import verifies

Place = tuple[Target, str, str]
"""Target, its id, and the profile."""

_NULL: Final = b"null"
_BRANCH: Final = "branch:"
_HEAD: Final = msgspec.json.Decoder(Head)
_ENTRY: Final = msgspec.json.Decoder(Entry)
_UNSAFE_EVENT: Final = ("revision", "withdrawn_unsafe")


def entry_of(body: bytes | msgspec.Raw) -> Entry:
    """The entry of a holding; DifferentError where it is none."""
    try:
        return _ENTRY.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise DifferentError(f"a holding cannot be read: {error}") from error


class Holdings(NamedTuple):
    """All holdings of a scope, as canonical entries, and what is unsafe in it."""

    entries: Mapping[Place, bytes]
    unsafe: frozenset[Unsafe]

    def documents(self, scope: str) -> Documents:
        """The manifest of the scope and its exceptions."""
        held = [Held(*place, entry) for place, entry in self.entries.items()]
        return documents(held, sorted(self.unsafe), branch=branch_of(scope))

    def digests(self) -> frozenset[str]:
        """The digests of all contents that are held."""
        return frozenset(entry_of(entry).digest for entry in self.entries.values())


NOTHING: Final = Holdings({}, frozenset())


def branch_of(scope: str) -> str | None:
    """The branch of a scope, None for that of the organisation."""
    return scope.removeprefix(_BRANCH) if scope.startswith(_BRANCH) else None


def trusted(pinned: str, keys: Sequence[SigningKey]) -> tuple[str, ...]:
    """The pinned key and those that follow it, each introduced by the one before.

    Raises
    ------
    WrongKeyError
        The pinned key is not among them, or an introduction does not fit.
    """
    names = [one.key for one in keys]
    if pinned not in names:
        raise WrongKeyError("the service does not know the signing key that was pinned here")
    chain = [pinned]
    for one in keys[names.index(pinned) + 1 :]:
        if one.introduction is None or not verifies(chain[-1], one.introduction, bytes.fromhex(one.key)):
            raise WrongKeyError(f"the signing key {one.key[:12]} was not introduced by the one before it")
        chain.append(one.key)
    return tuple(chain)


def believed(
    signed: SignedHead,
    *,
    keys: Sequence[str],
    scope: str,
    organisation: str | None,
    held: tuple[int, int] | None,
    now: datetime,
) -> Head:
    """The head, once it is believed.

    Parameters
    ----------
    signed : SignedHead
    keys : sequence of str
        Public keys that are trusted.
    scope : str
        What was asked for.
    organisation : str or None
        The one that is held; None for the first time.
    held : tuple of int or None
        Epoch and position that are held.
    now : datetime

    Raises
    ------
    WrongKeyError, DifferentError, RolledBackError, OutOfDateError
    """
    if signed.key not in keys or not verifies(signed.key, signed.signature, bytes(signed.head)):
        raise WrongKeyError("the head is not signed by a key that is trusted here")
    head = _HEAD.decode(signed.head)
    if head.scope != scope or organisation not in {None, head.organisation}:
        raise DifferentError(f"the head is of {head.scope}, not of {scope} of this organisation")
    if held is not None and (head.epoch, head.position) < held:
        raise RolledBackError(
            f"the head is of position {head.position} in epoch {head.epoch}, but {held[1]} in epoch {held[0]} is held: "
            "an older copy answers"
        )
    if head.expires <= now:
        raise OutOfDateError(
            f"the head proves nothing after {head.expires:%Y-%m-%d %H:%M} UTC: an old copy answers, or the clock of "
            "this machine is ahead"
        )
    return head


def require(holdings: Holdings, head: Head) -> Documents:
    """The documents of the holdings; DifferentError unless they are those that the head was signed for."""
    for (target, subject, profile), entry in holdings.entries.items():
        placed = target != Target.ORGANISATION or subject == head.organisation
        if not placed or entry_of(entry).profile != profile:
            raise DifferentError(f"a holding of {profile} stands in the wrong place")
    told = holdings.documents(head.scope)
    if (digest(told.manifest), digest(told.exceptions)) != (head.manifest, head.exceptions):
        raise DifferentError(f"what arrived is not what was signed for position {head.position}")
    return told


def checked_content(content: bytes, expected: str) -> bytes:
    """The content; DifferentError unless its digest is the expected one."""
    if digest(content) != expected:
        raise DifferentError(f"a content arrived that is not {expected[:19]}…")
    return content


def of_snapshot(items: Iterable[SnapshotItem], unsafe: Iterable[UnsafeRevision]) -> tuple[Holdings, dict[str, bytes]]:
    """The holdings of a snapshot, and its contents by digest; DifferentError for a content that does not fit."""
    entries: dict[Place, bytes] = {}
    contents: dict[str, bytes] = {}
    for item in items:
        entry = entry_of(item.entry)
        entries[item.target, item.id, entry.profile] = bytes(item.entry)
        contents[entry.digest] = checked_content(bytes(item.content), entry.digest)
    return Holdings(entries, frozenset(Unsafe(one.profile, one.number, one.digest) for one in unsafe)), contents


def after_changes(before: Holdings, items: Iterable[FeedItem]) -> tuple[Holdings, dict[str, bytes]]:
    """The holdings after some changes, and the contents that came with them; DifferentError as above."""
    entries, unsafe = dict(before.entries), set(before.unsafe)
    contents: dict[str, bytes] = {}
    for item in items:
        if (item.kind, item.event) == _UNSAFE_EVENT and item.digest is not None:
            profile, _, number = item.id.partition("/")
            unsafe.add(Unsafe(profile, int(number), item.digest))
        if item.holding is None:
            continue
        place = (item.holding.target, item.holding.id, item.holding.profile)
        if bytes(item.holding.entry) == _NULL:
            entries.pop(place, None)
            continue
        entries[place] = bytes(item.holding.entry)
        if bytes(item.content) != _NULL:
            named = entry_of(item.holding.entry).digest
            contents[named] = checked_content(bytes(item.content), named)
    return Holdings(entries, frozenset(unsafe)), contents
