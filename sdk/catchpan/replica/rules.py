"""What a replica believes: pure functions over what arrived and what is held. No input or output, no clock.

The order of trust: a pinned public key, keys that it introduced, a head that one of them signed, the manifest whose
digest stands in the head, the contents whose digests stand in the manifest.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from types import MappingProxyType
from typing import Final, NamedTuple

import msgspec

from catchpan.contract.corrections import Correction
from catchpan.contract.sync import Entry, FeedItem, Head, SignedHead, SigningKey, SnapshotItem, Target, UnsafeRevision
from catchpan.digest import digest
from catchpan.manifests import Corrected, Documents, Held, Unsafe, branch_of, documents
from catchpan.replica.errors import DifferentError, OutOfDateError, RolledBackError, WrongKeyError
from catchpan.replica.signatures import verifies

Place = tuple[Target, str, str]
"""Target, its id, and the profile."""

_NULL: Final = b"null"
_HEAD: Final = msgspec.json.Decoder(Head)
_ENTRY: Final = msgspec.json.Decoder(Entry)
_CORRECTION: Final = msgspec.json.Decoder(Correction)
_CORRECTION_KIND: Final = "correction"
_UNSAFE_EVENT: Final = ("revision", "withdrawn_unsafe")


def entry_of(body: bytes | msgspec.Raw) -> Entry:
    """The entry of a holding; DifferentError where it is none."""
    try:
        return _ENTRY.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise DifferentError(f"a holding cannot be read: {error}") from error


def correction_of(body: bytes | msgspec.Raw) -> Correction:
    """A correction; DifferentError where it is none."""
    try:
        return _CORRECTION.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise DifferentError(f"a correction cannot be read: {error}") from error


class Line(NamedTuple):
    """An entry as canonical bytes, and the digest of the content that it names."""

    entry: bytes
    digest: str


class Holdings(NamedTuple):
    """All holdings of a scope, what is unsafe in it, and its corrections by id, as canonical bytes."""

    lines: Mapping[Place, Line]
    unsafe: frozenset[Unsafe]
    corrections: Mapping[str, bytes] = MappingProxyType({})

    def documents(self, scope: str) -> Documents:
        """The manifest of the scope and its exceptions."""
        held = (Held(*place, entry) for place, (entry, _) in self.lines.items())
        corrected = [Corrected(*one) for one in self.corrections.items()]
        return documents(held, sorted(self.unsafe), corrected, branch=branch_of(scope))

    def told(self, scope: str) -> tuple[str, str]:
        """The digests of the manifest of the scope, and of its exceptions."""
        manifest, exceptions = self.documents(scope)
        return digest(manifest), digest(exceptions)

    def digests(self) -> frozenset[str]:
        """The digests of all contents that are held."""
        return frozenset([line.digest for line in self.lines.values()])


def line_of(entry: bytes | msgspec.Raw, profile: str) -> Line:
    """The line of an entry; DifferentError where it is none, or of another profile than where it stands."""
    found = entry_of(entry)
    if found.profile != profile:
        raise DifferentError(f"a holding of {profile} stands in the wrong place")
    return Line(bytes(entry), found.digest)


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


def require(holdings: Holdings, head: Head) -> None:
    """Refuse with DifferentError holdings that are not those that the head was signed for."""
    for target, subject, profile in holdings.lines:
        if target == Target.ORGANISATION and subject != head.organisation:
            raise DifferentError(f"a holding of {profile} stands in the wrong place")
    if holdings.told(head.scope) != (head.manifest, head.exceptions):
        raise DifferentError(f"what arrived is not what was signed for position {head.position}")


def checked_content(content: bytes, expected: str) -> bytes:
    """The content; DifferentError unless its digest is the expected one."""
    if digest(content) != expected:
        raise DifferentError(f"a content arrived that is not {expected[:19]}…")
    return content


def of_snapshot(
    items: Iterable[SnapshotItem], unsafe: Iterable[UnsafeRevision], corrections: Iterable[msgspec.Raw] = ()
) -> tuple[Holdings, dict[str, bytes]]:
    """The holdings of a snapshot, and its contents by digest; DifferentError for a content that does not fit."""
    lines: dict[Place, Line] = {}
    contents: dict[str, bytes] = {}
    for item in items:
        entry = entry_of(item.entry)
        lines[item.target, item.id, entry.profile] = Line(bytes(item.entry), entry.digest)
        contents[entry.digest] = checked_content(bytes(item.content), entry.digest)
    ended = frozenset(Unsafe(one.profile, one.number, one.digest) for one in unsafe)
    return Holdings(lines, ended, {correction_of(one).id: bytes(one) for one in corrections}), contents


def after_changes(before: Holdings, items: Iterable[FeedItem]) -> tuple[Holdings, dict[str, bytes]]:
    """The holdings after some changes, and the contents that came with them; DifferentError as above."""
    lines, unsafe, corrections = dict(before.lines), set(before.unsafe), dict(before.corrections)
    contents: dict[str, bytes] = {}
    for item in items:
        if (item.kind, item.event) == _UNSAFE_EVENT and item.digest is not None:
            profile, _, number = item.id.partition("/")
            unsafe.add(Unsafe(profile, int(number), item.digest))
        if item.kind == _CORRECTION_KIND:
            _correct(corrections, item)
        if item.holding is None:
            continue
        place = (item.holding.target, item.holding.id, item.holding.profile)
        if bytes(item.holding.entry) == _NULL:
            lines.pop(place, None)
            continue
        line = lines[place] = line_of(item.holding.entry, item.holding.profile)
        if bytes(item.content) != _NULL:
            contents[line.digest] = checked_content(bytes(item.content), line.digest)
    return Holdings(lines, frozenset(unsafe), corrections), contents


def _correct(corrections: dict[str, bytes], item: FeedItem) -> None:
    """One correction that began, or ended."""
    if bytes(item.correction) == _NULL:
        corrections.pop(item.id, None)
    else:
        corrections[correction_of(item.correction).id] = bytes(item.correction)
