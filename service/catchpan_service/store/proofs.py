"""What a scope holds, told so that it can be verified: manifests, signed heads, snapshots, and the feed's pages."""

from collections.abc import Sequence
from datetime import UTC, datetime, time, timedelta
from itertools import groupby
from typing import Any, Final, NamedTuple
from uuid import UUID

import msgspec
from sqlalchemy import Connection

from catchpan.contract.sync import (
    NULL,
    BranchStatus,
    Exceptions,
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
)
from catchpan.digest import canonical, digest
from catchpan_service.rules import positions, standings
from catchpan_service.rules.manifests import scope_of
from catchpan_service.rules.positions import BadSeal, Place
from catchpan_service.store import audit, contents, cursors, feed, holdings, replicas, signers
from catchpan_service.store.documents import FIRST
from catchpan_service.store.errors import BadCursor, NotFound
from catchpan_service.store.statements import of

PROOF_LASTS: Final = timedelta(days=7)
"""How long a head proves anything, after the end of its UTC day."""

_ENTRIES: Final = {True: holdings.page_of_entries(None), False: holdings.page_of_entries(FIRST)}
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
        known = self.digests(connection, organisation, branch, position)
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

    def digests(self, connection: Connection, organisation: UUID, branch: UUID | None, position: int) -> Digests:
        """The digests of a scope at a position, from memory where no holding changed since."""
        epoch = feed.state(connection, organisation).epoch
        known = self._digests.get((organisation, branch))
        if (
            known is not None
            and (known.epoch, known.position) <= (epoch, position)
            and known.epoch == epoch
            and not holdings.moved_between(connection, organisation, known.position, position)
        ):
            found = known._replace(position=position)
        else:
            told = holdings.documents(connection, organisation, branch, position)
            found = Digests(epoch, position, digest(told.manifest), digest(told.exceptions))
        if known is None or (known.epoch, known.position) <= (epoch, position):
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
        place = None if after is None else self._open(connection, organisation, branch, after)
        page = feed.page(connection, organisation, branch, place, limit)
        return FeedPage(
            items=[_item(connection, organisation, row, with_contents=with_contents) for row in page.rows],
            next=self._seal(connection, organisation, branch, page.place),
            complete_through=page.complete_through,
            epoch=page.place.epoch,
            more=page.more,
        )

    def snapshot(
        self, connection: Connection, organisation: UUID, branch: UUID | None, after: str | None, limit: int
    ) -> SnapshotPage:
        """A page of all that a scope holds at the position at which its first page was asked for; BadCursor."""
        state = feed.state(connection, organisation)
        scope = f"snapshot/{_scope(branch)}"
        position, last = state.position, FIRST
        if after is not None:
            epoch, told, profile = cursors.read(organisation, scope, after).split("/")
            if (int(epoch), int(told)) > (state.epoch, state.position) or int(epoch) != state.epoch:
                raise BadCursor
            position, last = int(told), UUID(profile)
        rows = _entries(connection, organisation, branch, position, last, limit + 1)
        more, rows = len(rows) > limit, rows[:limit]
        items = [SnapshotItem(entry=msgspec.Raw(row.entry), content=msgspec.Raw(row.content)) for row in rows]
        page = SnapshotPage(
            scope=_scope(branch),
            epoch=state.epoch,
            position=position,
            items=items,
            next=None,
            exceptions=NULL,
            exception_contents=[],
            cursor=None,
        )
        if more:
            following = cursors.write(organisation, scope, f"{state.epoch}/{position}/{rows[-1].profile}")
            return msgspec.structs.replace(page, next=following)
        exceptions = holdings.documents(connection, organisation, branch, position).exceptions
        named = sorted({one.entry.digest for one in msgspec.json.decode(exceptions, type=Exceptions).holdings})
        return msgspec.structs.replace(
            page,
            exceptions=msgspec.Raw(exceptions),
            exception_contents=[msgspec.Raw(contents.get(connection, organisation, one)) for one in named],
            cursor=self._seal(connection, organisation, branch, Place(state.epoch, position)),
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
        wanted = self.digests(connection, organisation, heard.branch, now.position)
        said = heard.report
        then = None
        if said is not None and said.epoch == now.epoch and said.position <= now.position:
            told = holdings.documents(connection, organisation, heard.branch, said.position)
            then = (digest(told.manifest), digest(told.exceptions))
        standing, why = standings.judge(said, epoch=now.epoch, wanted=(wanted.manifest, wanted.exceptions), then=then)
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
            wanted_manifest=wanted.manifest,
            behind_since=since,
        )

    def _seal(self, connection: Connection, organisation: UUID, branch: UUID | None, place: Place) -> str:
        secret = self._secret(connection, organisation)
        return positions.sealed(place, secret=secret, organisation=str(organisation), scope=_scope(branch))

    def _open(self, connection: Connection, organisation: UUID, branch: UUID | None, cursor: str) -> Place:
        secret = self._secret(connection, organisation)
        try:
            return positions.opened(cursor, secret=secret, organisation=str(organisation), scope=_scope(branch))
        except BadSeal as error:
            raise BadCursor from error

    def _secret(self, connection: Connection, organisation: UUID) -> bytes:
        if organisation not in self._secrets:
            self._secrets[organisation] = signers.current(connection, organisation).cursor_secret
        return self._secrets[organisation]


def _scope(branch: UUID | None) -> str:
    return scope_of(None if branch is None else str(branch))


def _past(state: feed.State, at: int | None) -> int:
    if at is not None and at > state.position:
        raise NotFound("position", at, field="at")
    return state.position if at is None else at


def _entries(
    connection: Connection, organisation: UUID, branch: UUID | None, position: int, after: UUID, most: int
) -> Sequence[Any]:
    """Entries of a scope after a profile, in order, the narrowest of each profile: at most so many."""
    asked = of(organisation) | {"position": position, "after": after}
    asked |= {"most": most} if branch is None else {"most": 2 * most, "branch": branch}
    rows = connection.execute(_ENTRIES[branch is None], asked).all()
    return [next(same) for _, same in groupby(rows, key=lambda row: row.profile)][:most]


def _item(connection: Connection, organisation: UUID, row: Any, *, with_contents: bool) -> FeedItem:
    holding = None if row["holding"] is None else _HOLDING.decode(row["holding"])
    content = NULL
    if with_contents and holding is not None and holding.entry is not None:
        content = msgspec.Raw(contents.get(connection, organisation, holding.entry.digest))
    kept = {name: row[name] for name in ("position", "n", "kind", "id", "event", "digest")}
    return FeedItem(**kept, holding=holding, content=content)
