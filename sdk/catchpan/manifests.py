"""What a scope should hold, made of its holdings, the same on both sides: the narrowest target wins.

A manifest is assembled from the canonical bytes of its entries, so that a store need not read and write them again:
members in order of their names, nothing between them (RFC 8785).
"""

from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

from catchpan.contract.sync import Target

ORGANISATION: Final = "organisation"
BRANCH: Final = "branch:"


class Held(NamedTuple):
    """One holding: for whom, of which profile, and its entry as canonical bytes."""

    target: Target
    id: str
    profile: str
    entry: bytes


class Unsafe(NamedTuple):
    """A revision that nobody may use any more."""

    profile: str
    number: int
    digest: str


class Corrected(NamedTuple):
    """One correction as canonical bytes."""

    id: str
    entry: bytes


class Documents(NamedTuple):
    """The canonical bytes of a manifest and of its exceptions."""

    manifest: bytes
    exceptions: bytes


def change(one: Held, *, ends: bool = False) -> bytes:
    """A holding that begins, or ends, as canonical bytes."""
    entry = b"null" if ends else one.entry
    place = f',"id":"{one.id}","profile":"{one.profile}","target":"{one.target.value}"}}'
    return b'{"entry":' + entry + place.encode()


def scope_of(branch: str | None) -> str:
    """The name of a scope: the organisation's, or that of a branch."""
    return ORGANISATION if branch is None else f"{BRANCH}{branch}"


def branch_of(scope: str) -> str | None:
    """The branch of a scope, None for that of the organisation."""
    return scope.removeprefix(BRANCH) if scope.startswith(BRANCH) else None


def documents(
    held: Iterable[Held], unsafe: Sequence[Unsafe], corrections: Iterable[Corrected] = (), *, branch: str | None
) -> Documents:
    """The manifest of a scope, and what differs from it.

    In the manifest of the organisation stands what it holds itself; what branches and machines hold instead are
    exceptions. In that of a branch its own holdings take the place of the organisation's, and only those of its
    machines are exceptions.
    """
    common: dict[str, bytes] = {}
    own: dict[str, bytes] = {}
    apart: list[Held] = []
    everybody, at_branch = Target.ORGANISATION, Target.BRANCH  # looked up once: this runs over all that is held
    for one in held:
        target, subject, profile, entry = one
        if target is everybody:
            common[profile] = entry
        elif target is at_branch and subject == branch:
            own[profile] = entry
        else:
            apart.append(one)
    found = common | own
    entries = [found[profile] for profile in sorted(found)]
    return Documents(_manifest(entries), _exceptions(apart, unsafe, sorted(corrections)))


def _manifest(entries: Sequence[bytes]) -> bytes:
    return b'{"format":1,"profiles":[' + b",".join(entries) + b"]}"


def _exceptions(apart: Sequence[Held], unsafe: Sequence[Unsafe], corrections: Sequence[Corrected]) -> bytes:
    """Without corrections the member is left out, so that digests are those of before there were any."""
    holdings = [
        b'{"entry":' + one.entry + f',"id":"{one.id}","target":"{one.target.value}"}}'.encode()
        for one in sorted(apart, key=lambda one: (one.target.value, one.id, one.profile))
    ]
    ended = [
        f'{{"digest":"{one.digest}","number":{one.number},"profile":"{one.profile}"}}'.encode()
        for one in sorted(unsafe)
    ]
    corrected = b'"corrections":[' + b",".join(one.entry for one in corrections) + b"]," if corrections else b""
    held = b'"format":1,"holdings":[' + b",".join(holdings) + b"]"
    return b"{" + corrected + held + b',"unsafe":[' + b",".join(ended) + b"]}"
