"""What a pull asks of the service, and whom it believes. Nothing here alters what is held.

Pages are kept as they come, so that a pull that was killed or lost its network goes on where it was.
"""

from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import datetime
from functools import partial
from typing import Final, NamedTuple, TypeVar

import msgspec

from catchpan.client import Catchpan
from catchpan.contract.sync import FeedItem, FeedPage, Head, SignedHead, SigningKey, SnapshotItem, SnapshotPage
from catchpan.manifests import branch_of
from catchpan.replica import rules
from catchpan.replica.errors import DifferentError
from catchpan.replica.rules import Holdings
from catchpan.replica.store import Copy, LocalStore

P = TypeVar("P", FeedPage, SnapshotPage)
PAGE = 200
MOST_ITEMS: Final = 1_000_000
"""More holdings or changes than any company has: whoever sends them without end is cut off."""


class Trust:
    """Whom a replica believes, and what it holds already.

    Parameters
    ----------
    copy : Copy or None
        What is held.
    scope : str
        What is asked for.
    chain : sequence of SigningKey
        The keys that sign, as they were told.
    pin : str or None
        Public key (hex) that the first head must be signed by, or introduced; by default the last of the chain.
    clock : callable
        The instant now.
    """

    def __init__(
        self,
        copy: Copy | None,
        *,
        scope: str,
        chain: Sequence[SigningKey],
        pin: str | None,
        clock: Callable[[], datetime],
    ) -> None:
        pinned = copy.state.pinned if copy else pin or (chain[-1].key if chain else "")
        self.keys = rules.trusted(pinned, chain)
        self.scope = scope
        self.place = (copy.state.epoch, copy.state.position) if copy else None
        self._organisation = copy.state.organisation if copy else None
        self._clock = clock

    @property
    def branch(self) -> str | None:
        """The branch of the scope, if it is one's."""
        return branch_of(self.scope)

    def believed(self, signed: SignedHead) -> Head:
        """The head, once it is believed; ReplicaError."""
        return rules.believed(
            signed,
            keys=self.keys,
            scope=self.scope,
            organisation=self._organisation,
            held=self.place,
            now=self._clock(),
        )


class Arrived(NamedTuple):
    """What came: holdings, contents by digest, and where the feed goes on."""

    holdings: Holdings
    contents: dict[str, bytes]
    cursor: str
    position: int


def by_changes(client: Catchpan, store: LocalStore, scope: str, before: Arrived) -> Arrived:
    """What is held after the changes since then; GoneError, UnknownReferenceError, DifferentError."""
    items: list[FeedItem] = []
    branch, after = branch_of(scope), before.cursor
    while True:
        ask = partial(client.changes, branch=branch, after=after, limit=PAGE, contents=True)
        page = _kept(store, f"changes {scope} {after}", FeedPage, ask)
        items += page.items
        _require_an_end(len(items), stuck=page.more and page.next == after)
        after = page.next
        if not page.more:
            break
    holdings, contents = rules.after_changes(before.holdings, items)
    return Arrived(holdings, before.contents | contents, after, page.complete_through)


def by_snapshot(client: Catchpan, store: LocalStore, scope: str, put_aside: Callable[[SnapshotItem], None]) -> Arrived:
    """All that is held in a scope; DifferentError, after contents that do not fit were handed to ``put_aside``."""
    items: list[SnapshotItem] = []
    branch, after = branch_of(scope), None
    while True:
        ask = partial(client.snapshot, branch=branch, after=after, limit=PAGE)
        page = _kept(store, _snapshot(scope, after), SnapshotPage, ask)
        items += page.items
        _require_an_end(len(items), stuck=page.next is not None and page.next == after)
        after = page.next
        if after is None:
            break
    if page.cursor is None:
        raise DifferentError("the snapshot ends without a cursor")
    try:
        holdings, contents = rules.of_snapshot(items, page.unsafe, page.corrections)
    except DifferentError:
        for item in items:
            put_aside(item)
        raise
    return Arrived(holdings, contents, page.cursor, page.position)


def was_cut_off(store: LocalStore, scope: str) -> bool:
    """Whether pages of a snapshot are there that an earlier pull did not bring to its end."""
    return store.page(_snapshot(scope, None)) is not None


def _snapshot(scope: str, after: str | None) -> str:
    return f"snapshot {scope} {after or ''}"


def _kept(store: LocalStore, asked: str, kind: type[P], ask: Callable[[], P]) -> P:
    """A page: as it came to an earlier pull that was cut off, or from the service; the last one is not kept."""
    with suppress(msgspec.DecodeError, UnicodeDecodeError):
        if (body := store.page(asked)) is not None:
            return msgspec.json.decode(body, type=kind)
    page = ask()
    if page.more if isinstance(page, FeedPage) else page.next is not None:
        store.keep_page(asked, msgspec.json.encode(page))
    return page


def fetched(client: Catchpan, arrived: Arrived, there: Callable[[], frozenset[str]]) -> dict[str, bytes]:
    """Contents that did not come along and are not ``there``, one by one."""
    wanted = arrived.holdings.digests() - arrived.contents.keys()
    wanted -= there() if wanted else frozenset()
    found: dict[str, bytes] = {}
    for line in arrived.holdings.lines.values() if wanted else ():
        if line.digest in wanted and line.digest not in found:
            entry = rules.entry_of(line.entry)
            body = client.revision_content(entry.profile, entry.number)
            found[line.digest] = rules.checked_content(body, line.digest)
    return found


def _require_an_end(count: int, *, stuck: bool) -> None:
    if stuck or count > MOST_ITEMS:
        raise DifferentError("the service sends without end")
