"""What a scope holds, told so that it can be verified: manifests, signed heads, snapshots, and the feed's pages."""

from datetime import UTC, datetime, time, timedelta
from typing import Any, Final, NamedTuple
from uuid import UUID

import msgspec
from sqlalchemy import Connection

from catchpan.contract.sync import (
    NULL,
    BranchStatus,
    FeedItem,
    FeedPage,
    Head,
    HoldingChange,
    ManifestAnswer,
    SignedHead,
    SnapshotItem,
    SnapshotPage,
    Standing,
    SyncStatus,
    Target,
    UnsafeRevision,
)
from catchpan.digest import canonical, digest
from catchpan.manifests import Corrected, Unsafe, scope_of
from catchpan_service.rules import positions, standings
from catchpan_service.rules.positions import BadSeal, Place
from catchpan_service.store import audit, contents, factors, feed, holdings, replicas, signers
from catchpan_service.store.documents import FIRST
from catchpan_service.store.errors import BadCursor, NotFound
from catchpan_service.store.holdings import Present

PROOF_LASTS: Final = timedelta(days=7)
"""How long a head proves anything, after the end of its UTC day."""

_HOLDING: Final = msgspec.json.Decoder(HoldingChange)


ROOM: Final = 200
"""Organisations of which holdings are remembered."""


ENDS: Final = 10_000
"""Organisations and branches of which the end of the feed is remembered."""


class Known(NamedTuple):
    """All that an organisation holds at a position."""

    epoch: int
    position: int
    held: Present


class Apart(NamedTuple):
    """What stands in a scope's exceptions beside holdings."""

    unsafe: list[Unsafe]
    corrections: list[Corrected]


class Digests(NamedTuple):
    """The digests of a scope, and what they were made of."""

    held: Present
    apart: Apart
    manifest: str
    exceptions: str


class Proofs:
    """Tells what can be verified; remembers secrets, which never change, and what is held until that does."""

    def __init__(self) -> None:
        self._secrets: dict[UUID, bytes] = {}
        self._known: dict[UUID, Known] = {}
        self._digests: dict[tuple[UUID, UUID | None], Digests] = {}
        self._ends: dict[tuple[UUID, UUID | None], tuple[str, int]] = {}

    def remember_end(self, organisation: UUID, branch: UUID | None, cursor: str, writes: int | None) -> None:
        """Nothing followed this cursor when so many writes had been heard of."""
        if writes is not None:
            if len(self._ends) >= ENDS:
                self._ends.clear()
            self._ends[organisation, branch] = (cursor, writes)

    def is_end(self, organisation: UUID, branch: UUID | None, cursor: str, writes: int | None) -> bool:
        """Whether nothing can have followed this cursor, since no write was heard of."""
        return writes is not None and self._ends.get((organisation, branch)) == (cursor, writes)

    def manifest(
        self, connection: Connection, organisation: UUID, branch: UUID | None, at: int | None
    ) -> ManifestAnswer:
        """The manifest of a scope and its exceptions, now or at a position; NotFound for one yet to come."""
        now = feed.state(connection, organisation)
        position = _past(now, at)
        held = self._held(connection, organisation, now.epoch, position)
        apart = _apart(connection, organisation, branch, position)
        told = holdings.documents(held, apart.unsafe, apart.corrections, branch)
        return ManifestAnswer(
            scope=_scope(branch),
            epoch=now.epoch,
            position=position,
            manifest_digest=digest(told.manifest),
            exceptions_digest=digest(told.exceptions),
            manifest=msgspec.Raw(told.manifest),
            exceptions=msgspec.Raw(told.exceptions),
        )

    def head(
        self, connection: Connection, organisation: UUID, branch: UUID | None, at: int | None, now: datetime
    ) -> SignedHead:
        """The signed head of a scope, now or at a position: the same bytes from every process, all day long."""
        state = feed.state(connection, organisation)
        position = _past(state, at)
        known = self._digested(connection, organisation, branch, state.epoch, position)
        head = Head(
            format=1,
            organisation=str(organisation),
            scope=_scope(branch),
            epoch=state.epoch,
            position=position,
            manifest=known.manifest,
            exceptions=known.exceptions,
            expires=datetime.combine(now.astimezone(UTC).date() + timedelta(days=1), time(), UTC) + PROOF_LASTS,
        )
        body = canonical(head)
        signer = signers.current(connection, organisation)
        return SignedHead(head=msgspec.Raw(body), signature=signer.sign(body), key=signer.key)

    def _held(self, connection: Connection, organisation: UUID, epoch: int, position: int) -> Present:
        """What is held at a position, brought forward from what is remembered where that is older."""
        known = self._known.get(organisation)
        if known is not None and known.epoch == epoch and known.position <= position:
            held = holdings.brought_forward(connection, organisation, known.held, known.position, position)
        else:
            held = holdings.present(connection, organisation, position)
        if known is None or (known.epoch, known.position) < (epoch, position):
            if len(self._known) >= ROOM:
                self._known, self._digests = {}, {}
            self._known[organisation] = Known(epoch, position, held)
        return held

    def _digested(
        self, connection: Connection, organisation: UUID, branch: UUID | None, epoch: int, position: int
    ) -> Digests:
        """The digests of a scope at a position, made anew only where something of it may have changed."""
        held = self._held(connection, organisation, epoch, position)
        apart = _apart(connection, organisation, branch, position)
        known = self._digests.get((organisation, branch))
        if known is not None and known.held is held and known.apart == apart:
            return known
        told = holdings.documents(held, apart.unsafe, apart.corrections, branch)
        found = Digests(held, apart, digest(told.manifest), digest(told.exceptions))
        newest = self._known.get(organisation)
        if newest is not None and newest.held is held:
            self._digests[organisation, branch] = found
        return found

    def changes(
        self,
        connection: Connection,
        organisation: UUID,
        branch: UUID | None,
        after: str | None,
        limit: int,
        with_contents: bool,
    ) -> FeedPage:
        """A page of the feed; BadCursor, Gone."""
        place = None
        if after is not None:
            told = self._opened(connection, organisation, _scope(branch), after)
            place = Place(*map(int, told.split("/")))
        page = feed.page(connection, organisation, branch, place, limit)
        return FeedPage(
            items=[_item(connection, organisation, row, with_contents=with_contents) for row in page.rows],
            next=self._sealed(connection, organisation, _scope(branch), *page.place),
            complete_through=page.complete_through,
            epoch=page.place.epoch,
            more=page.more,
        )

    def snapshot(
        self, connection: Connection, organisation: UUID, branch: UUID | None, after: str | None, limit: int
    ) -> SnapshotPage:
        """A page of all holdings of a scope at the position at which its first page was asked for; BadCursor."""
        state = feed.state(connection, organisation)
        scope = f"snapshot/{_scope(branch)}"
        position, last = state.position, holdings.After(FIRST, "", FIRST)
        if after is not None:
            epoch, told, profile, kind, target = self._opened(connection, organisation, scope, after).split("/")
            if int(epoch) != state.epoch or int(told) > state.position:
                raise BadCursor
            position, last = int(told), holdings.After(UUID(profile), kind, UUID(target))
        rows = holdings.page(connection, organisation, branch, position, last, limit + 1)
        rows, more = rows[:limit], len(rows) > limit
        following, apart, cursor = None, Apart([], []), None
        if more:
            end = (rows[-1].profile, rows[-1].target_kind, rows[-1].target)
            following = self._sealed(connection, organisation, scope, state.epoch, position, *end)
        else:
            apart = _apart(connection, organisation, branch, position)
            cursor = self._sealed(connection, organisation, _scope(branch), *Place(state.epoch, position))
        return SnapshotPage(
            scope=_scope(branch),
            epoch=state.epoch,
            position=position,
            items=[_snapshot_item(row) for row in rows],
            corrections=[msgspec.Raw(one.entry) for one in apart.corrections],
            unsafe=[UnsafeRevision(**one._asdict()) for one in apart.unsafe],
            next=following,
            cursor=cursor,
        )

    def status(self, connection: Connection, organisation: UUID) -> SyncStatus:
        """How every branch's replica stands to what is to be held now."""
        now = feed.state(connection, organisation)
        found = [
            self._branch_status(connection, organisation, now, one)
            for one in replicas.all_of_them(connection, organisation)
        ]
        return SyncStatus(epoch=now.epoch, position=now.position, branches=found)

    def _branch_status(
        self, connection: Connection, organisation: UUID, now: feed.State, heard: replicas.Heard
    ) -> BranchStatus:
        known = self._digested(connection, organisation, heard.branch, now.epoch, now.position)
        wanted, said, then, moved = (known.manifest, known.exceptions), heard.report, None, None
        if said is not None and said.epoch == now.epoch and said.position <= now.position:
            moved = holdings.next_move(connection, organisation, said.position)
            told = self._digested(connection, organisation, heard.branch, now.epoch, said.position) if moved else known
            then = (told.manifest, told.exceptions)
        standing, why = standings.judge(said, epoch=now.epoch, wanted=wanted, then=then)
        since = audit.moment(connection, organisation, moved) if standing == Standing.BEHIND else None
        return BranchStatus(
            branch=str(heard.branch),
            name=heard.name,
            standing=standing,
            why=why,
            reported=heard.at,
            position=None if said is None else said.position,
            manifest=None if said is None else said.manifest,
            wanted_manifest=known.manifest,
            behind_since=since,
        )

    def _sealed(self, connection: Connection, organisation: UUID, scope: str, *parts: object) -> str:
        secret = self._secret(connection, organisation)
        text = "/".join(map(str, parts))
        return positions.sealed(text, secret=secret, organisation=str(organisation), scope=scope)

    def _opened(self, connection: Connection, organisation: UUID, scope: str, cursor: str) -> str:
        secret = self._secret(connection, organisation)
        try:
            return positions.opened(cursor, secret=secret, organisation=str(organisation), scope=scope)
        except BadSeal as error:
            raise BadCursor from error

    def _secret(self, connection: Connection, organisation: UUID) -> bytes:
        if organisation not in self._secrets:
            self._secrets[organisation] = signers.cursor_secret(connection, organisation)
        return self._secrets[organisation]


def _apart(connection: Connection, organisation: UUID, branch: UUID | None, position: int) -> Apart:
    ended = holdings.found_unsafe(connection, organisation, branch, position)
    return Apart(sorted(ended), factors.at(connection, organisation, branch, position))


def _scope(branch: UUID | None) -> str:
    return scope_of(None if branch is None else str(branch))


def _past(state: feed.State, at: int | None) -> int:
    if at is not None and at > state.position:
        raise NotFound("position", at, field="at")
    return state.position if at is None else at


def _snapshot_item(row: Any) -> SnapshotItem:
    entry, content = msgspec.Raw(row.entry), msgspec.Raw(row.body)
    return SnapshotItem(target=Target(row.target_kind), id=str(row.target), entry=entry, content=content)


def _item(connection: Connection, organisation: UUID, row: Any, *, with_contents: bool) -> FeedItem:
    about = row["holding"] if row["kind"] == holdings.KIND else None
    holding = None if about is None else _HOLDING.decode(about)
    correction = row["holding"] if row["kind"] == factors.KIND else None
    content = NULL
    if with_contents and holding is not None and row["digest"] is not None:
        content = msgspec.Raw(contents.get(connection, organisation, row["digest"]))
    kept = {name: row[name] for name in ("position", "n", "kind", "id", "event", "digest")}
    told = NULL if correction is None else msgspec.Raw(correction)
    return FeedItem(**kept, holding=holding, correction=told, content=content)
