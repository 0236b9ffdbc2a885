"""The promises of the feed, one validator each, over what writers were told and what readers were sent.

The words are those of etcd's documentation of its watches: ordered, unique, atomic, reliable, resumable, bookmarkable.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, NamedTuple


class Seen(NamedTuple):
    """One change as a reader was sent it."""

    position: int
    n: int
    kind: str
    id: str
    event: str


class Fetched(NamedTuple):
    """One page: the cursor that it was asked after, its changes, the next cursor, up to where it is complete."""

    after: str | None
    items: tuple[Seen, ...]
    next: str
    complete_through: int


@dataclass
class History:
    """What was acknowledged to writers, what each reader fetched one after another, and the whole feed at the end.

    ``again`` holds pages that were asked for a second time, from cursors that readers had kept.
    """

    acknowledged: set[tuple[str, str]] = field(default_factory=set)
    readers: list[list[Fetched]] = field(default_factory=list)
    again: list[Fetched] = field(default_factory=list)
    whole: tuple[Seen, ...] = ()
    bookmarks: dict[str, tuple[Seen, ...]] = field(default_factory=dict)


def fetched(after: str | None, page: Any) -> Fetched:
    """A page of the client's as it is recorded."""
    items = tuple(Seen(one.position, one.n, one.kind, one.id, one.event) for one in page.items)
    return Fetched(after, items, page.next, page.complete_through)


def stream(pages: list[Fetched]) -> Iterator[Seen]:
    """All changes of a reader, in the order in which it got them."""
    for page in pages:
        yield from page.items


def ordered(history: History) -> bool:
    """Changes come in the order of their positions, and within one in the order of n."""
    return all(one[:2] < other[:2] for pages in history.readers for one, other in pairwise(stream(pages)))


def unique(history: History) -> bool:
    """No change comes twice to who goes on from the cursor that came with a page."""
    return all(len(list(stream(pages))) == len({one[:2] for one in stream(pages)}) for pages in history.readers)


def atomic(history: History) -> bool:
    """What a page says to be complete is: nothing of a position comes after it, and all of a position is there."""
    for pages in history.readers:
        through, so_far = 0, set()
        for page in pages:
            if any(one.position <= through for one in page.items):
                return False
            so_far |= set(page.items)
            through = max(through, page.complete_through)
            if {one for one in history.whole if one.position <= through} - so_far:
                return False
    return True


def reliable(history: History) -> bool:
    """Every acknowledged write is told to every reader, and no position is left out."""
    if {one.position for one in history.whole} != set(range(1, history.whole[-1].position + 1)):
        return False
    told = [{(one.kind, one.id) for one in stream(pages)} for pages in history.readers]
    return all(history.acknowledged <= one for one in told) and all(
        tuple(stream(pages)) == history.whole for pages in history.readers
    )


def resumable(history: History) -> bool:
    """Who asks again from a cursor it has kept is told the same, and perhaps more."""
    first: dict[str | None, tuple[Seen, ...]] = {}
    for page in (page for pages in history.readers for page in pages):
        first.setdefault(page.after, page.items)
    for page in history.again:
        told = first.get(page.after)
        if told is None or any(one != other for one, other in zip(page.items, told, strict=False)):
            return False
    return bool(history.again)


def bookmarkable(history: History) -> bool:
    """From any cursor, at any time later, all that follows it and nothing else is told."""
    through = {page.next: page for pages in history.readers for page in pages}
    for cursor, told in history.bookmarks.items():
        last = max((one[:2] for one in through[cursor].items), default=(through[cursor].complete_through, 10**9))
        if tuple(one for one in history.whole if one[:2] > last) != told:
            return False
    return bool(history.bookmarks)


PROMISES = (ordered, unique, atomic, reliable, resumable, bookmarkable)
