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
from catchpan.manifests import scope_of
from catchpan_service.rules import positions, standings
from catchpan_service.rules.positions import BadSeal, Place
from catchpan_service.store import audit, contents, feed, holdings, replicas, signers
from catchpan_service.store.documents import FIRST
from catchpan_service.store.errors import BadCursor, NotFound

PROOF_LASTS: Final = timedelta(days=7)
"""How long a head proves anything, after the end of its UTC day."""

_HOLDING: Final = msgspec.json.Decoder(HoldingChange)


class Digests(NamedTuple):
    """The digests of a scope, and the position at which they were last known to hold."""

    epoch: int
    position: int
    manifest: str
    exceptions: str


class Proofs:
    """Tells what can be verified; remembers secrets, which never change, and digests, until a holding does."""

    def __init__(self) -> None:
        self._secrets: dict[UUID, bytes] = {}
        self._digests: dict[tuple[UUID, UUID | None], Digests] = {}

    def manifest(
        self, connection: Connection, organisation: UUID, branch: UUID | None, at: int | None
    ) -> ManifestAnswer:
        """The manifest of a scope and its exceptions, now or at a position; NotFound for one yet to come."""
        now = feed.state(connection, organisation)
        position = _past(now, at)
        told = holdings.documents(connection, organisation, branch, position)
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
        known = self._known(connection, organisation, branch, state.epoch, position)
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

    def _known(
        self, connection: Connection, organisation: UUID, branch: UUID | None, epoch: int, position: int
    ) -> Digests:
        """The digests of a scope at a position, from memory where no holding changed since."""
        known = self._digests.get((organisation, branch))
        later = known is not None and known.epoch == epoch and known.position <= position
        if (
            known is not None
            and later
            and not holdings.moved_between(connection, organisation, known.position, position)
        ):
            found = known._replace(position=position)
        else:
            told = holdings.documents(connection, organisation, branch, position)
            found = Digests(epoch, position, digest(told.manifest), digest(told.exceptions))
        if later or known is None or known.epoch < epoch:
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
        following, unsafe, cursor = None, [], None
        if more:
            end = (rows[-1].profile, rows[-1].target_kind, rows[-1].target)
            following = self._sealed(connection, organisation, scope, state.epoch, position, *end)
        else:
            unsafe = sorted(holdings.found_unsafe(connection, organisation, branch, position))
            cursor = self._sealed(connection, organisation, _scope(branch), *Place(state.epoch, position))
        return SnapshotPage(
            scope=_scope(branch),
            epoch=state.epoch,
            position=position,
            items=[_snapshot_item(row) for row in rows],
            unsafe=[UnsafeRevision(**one._asdict()) for one in unsafe],
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
        known = self._known(connection, organisation, heard.branch, now.epoch, now.position)
        wanted, said, then = (known.manifest, known.exceptions), heard.report, None
        if said is not None and said.epoch == now.epoch and said.position <= now.position:
            then = wanted
            if holdings.moved_between(connection, organisation, said.position, now.position):
                told = holdings.documents(connection, organisation, heard.branch, said.position)
                then = (digest(told.manifest), digest(told.exceptions))
        standing, why = standings.judge(said, epoch=now.epoch, wanted=wanted, then=then)
        since = None
        if standing == Standing.BEHIND and said is not None and said.epoch == now.epoch:
            since = audit.moment(connection, organisation, holdings.next_move(connection, organisation, said.position))
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
    holding = None if row["holding"] is None else _HOLDING.decode(row["holding"])
    content = NULL
    if with_contents and holding is not None and row["digest"] is not None:
        content = msgspec.Raw(contents.get(connection, organisation, row["digest"]))
    kept = {name: row[name] for name in ("position", "n", "kind", "id", "event", "digest")}
    return FeedItem(**kept, holding=holding, content=content)
