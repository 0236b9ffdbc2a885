"""A branch's replica: pulls, verifies, answers without network, and travels as a bundle file."""

from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final, NamedTuple, Self

import msgspec

from catchpan.client import Catchpan
from catchpan.contract.base import Wire
from catchpan.contract.sync import Entry, FeedItem, Head, ReplicaReport, SignedHead, SigningKey, SnapshotItem, Target
from catchpan.digest import digest
from catchpan.errors import GoneError, MissingError, UnknownReferenceError
from catchpan.replica import bundle, rules
from catchpan.replica.errors import DamagedError, DifferentError, EmptyError
from catchpan.replica.rules import NOTHING, Holdings
from catchpan.replica.store import FORMAT, Copy, LocalStore, State

PAGE: Final = 200
MOST_ITEMS: Final = 1_000_000
"""More holdings or changes than any company has: whoever sends them without end is cut off."""

LONGEST_PROOF: Final = timedelta(days=8)
"""From the moment of signing to the end of a head."""

Clock = Callable[[], datetime]


def _now() -> datetime:
    return datetime.now(UTC)


class Report(Wire, kw_only=True, frozen=True):
    """What a replica holds, and how far that is proved.

    ``contents_fetched`` counts what the last pull brought; ``notes`` say what a person should look at.
    """

    scope: str
    organisation: str
    epoch: int
    position: int
    manifest: str
    exceptions: str
    profiles: int
    pulled: datetime
    proved_until: datetime
    out_of_date: bool
    contents_fetched: int
    damaged: int
    notes: list[str]


class Held(Wire, kw_only=True, frozen=True):
    """A profile as it is held here: its entry, its content's bytes, and what must be said beside it."""

    entry: Entry
    content: msgspec.Raw
    notes: list[str]


class _Arrived(NamedTuple):
    """What came: holdings, contents by digest, and where the feed goes on."""

    holdings: Holdings
    contents: dict[str, bytes]
    cursor: str
    position: int


class _Trust:
    """Whom a replica believes, and what it holds already."""

    def __init__(
        self, copy: Copy | None, scope: str, chain: Sequence[SigningKey], pin: str | None, clock: Clock
    ) -> None:
        pinned = copy.state.pinned if copy else pin or (chain[-1].key if chain else "")
        self.keys = rules.trusted(pinned, chain)
        self.scope = scope
        self.place = (copy.state.epoch, copy.state.position) if copy else None
        self._organisation = copy.state.organisation if copy else None
        self._clock = clock

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


class Replica:
    """A verified copy in a file.

    Parameters
    ----------
    path : Path
        The SQLite file; made if it is not there.
    clock : callable, optional
        The instant now.

    Examples
    --------
    >>> from catchpan import Catchpan
    >>> def morning(url: str, key: str) -> str:
    ...     with Replica(Path("shed.replica")) as replica, Catchpan(url, key=key) as client:
    ...         return replica.pull(client).manifest
    """

    def __init__(self, path: Path, *, clock: Clock = _now) -> None:
        self._store = LocalStore(path)
        self._clock = clock

    def close(self) -> None:
        """Let go of the file."""
        self._store.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- with the network

    def pull(self, client: Catchpan, *, branch: str | None = None, pin: str | None = None) -> Report:
        """Bring the copy up to date, and prove it; what is held stays where anything does not fit.

        Parameters
        ----------
        client : Catchpan
        branch : str, optional
            The branch whose part is wanted; by default that of the key, else the whole organisation.
        pin : str, optional
            Public key (hex) that must sign the first head; without one the first pull trusts what it meets.

        Raises
        ------
        ReplicaError
            Something does not fit what was signed; damaged contents are put aside.
        """
        copy = self._store.read()
        scope = copy.state.scope if copy else _scope(branch or client.organisation().branch)
        chain = client.signing_keys().items
        trust = _Trust(copy, scope, chain, pin, self._clock)
        signed = client.head(branch=rules.branch_of(scope))
        head = trust.believed(signed)
        if copy and trust.place == (head.epoch, head.position) and not self._missing(copy):
            rules.require(copy.holdings, head)
            arrived = _Arrived(copy.holdings, {}, copy.state.cursor, head.position)
        else:
            arrived, signed, head = self._proved(client, copy, signed, head, trust)
        contents = arrived.contents | self._fetched(client, arrived)
        state = State(
            format=FORMAT,
            scope=scope,
            organisation=head.organisation,
            pinned=trust.keys[0],
            chain=chain,
            signed=signed,
            epoch=head.epoch,
            position=head.position,
            cursor=arrived.cursor,
            pulled=self._clock(),
        )
        after = Copy(state, arrived.holdings)
        self._store.keep(after, contents, before=copy.holdings if copy else NOTHING)
        if contents:
            self._store.clear(after.holdings.digests())
        return self._report(after, fetched=len(contents))

    def report_to(self, client: Catchpan) -> None:
        """Tell the office what is held here; nothing where this is not a branch's replica."""
        copy = self._held()
        branch = rules.branch_of(copy.state.scope)
        if branch is not None:
            told = copy.holdings.documents(copy.state.scope)
            client.report_replica(
                branch,
                ReplicaReport(
                    epoch=copy.state.epoch,
                    position=copy.state.position,
                    manifest=digest(told.manifest),
                    exceptions=digest(told.exceptions),
                ),
            )

    def _proved(
        self, client: Catchpan, copy: Copy | None, signed: SignedHead, head: Head, trust: "_Trust"
    ) -> tuple["_Arrived", SignedHead, Head]:
        """What the service sent, with the head that proves it: changes, or else a snapshot that replaces all."""
        branch = rules.branch_of(trust.scope)

        def proof(arrived: _Arrived) -> tuple[_Arrived, SignedHead, Head]:
            at, proved = signed, head
            if arrived.position != head.position:  # something was written meanwhile
                at = client.head(branch=branch, at=arrived.position)
                proved = trust.believed(at)
            rules.require(arrived.holdings, proved)
            return arrived, at, proved

        if copy is not None and copy.state.epoch == head.epoch:
            with suppress(GoneError, UnknownReferenceError, DifferentError):
                return proof(self._by_changes(client, copy, branch))
        return proof(self._by_snapshot(client, branch))

    def _by_changes(self, client: Catchpan, copy: Copy, branch: str | None) -> "_Arrived":
        items: list[FeedItem] = []
        after = copy.state.cursor
        while True:
            page = client.changes(branch=branch, after=after, limit=PAGE, contents=True)
            items += page.items
            _require_an_end(len(items), stuck=page.more and page.next == after)
            after = page.next
            if not page.more:
                break
        holdings, contents = rules.after_changes(copy.holdings, items)
        return _Arrived(holdings, contents, after, page.complete_through)

    def _by_snapshot(self, client: Catchpan, branch: str | None) -> "_Arrived":
        items: list[SnapshotItem] = []
        after: str | None = None
        while True:
            page = client.snapshot(branch=branch, after=after, limit=PAGE)
            items += page.items
            _require_an_end(len(items), stuck=page.next is not None and page.next == after)
            after = page.next
            if after is None:
                break
        try:
            holdings, contents = rules.of_snapshot(items, page.unsafe)
        except DifferentError:
            self._set_aside(items)
            raise
        if page.cursor is None:
            raise DifferentError("the snapshot ends without a cursor")
        return _Arrived(holdings, contents, page.cursor, page.position)

    def _set_aside(self, items: list[SnapshotItem]) -> None:
        for item in items:
            named = rules.entry_of(item.entry).digest
            if digest(bytes(item.content)) != named:
                self._store.set_aside(self._clock(), "arrived damaged", named, bytes(item.content), held=False)

    def _fetched(self, client: Catchpan, arrived: "_Arrived") -> dict[str, bytes]:
        """Contents that did not come along and do not lie here."""
        there = self._store.held_digests() | arrived.contents.keys()
        found: dict[str, bytes] = {}
        for entry in map(rules.entry_of, arrived.holdings.entries.values()):
            if entry.digest not in there and entry.digest not in found:
                body = client.revision_content(entry.profile, entry.number)
                found[entry.digest] = rules.checked_content(body, entry.digest)
        return found

    def _missing(self, copy: Copy) -> frozenset[str]:
        return copy.holdings.digests() - self._store.held_digests()

    # --- without the network

    def status(self) -> Report:
        """What is held, and how old its proof is; EmptyError."""
        return self._report(self._held())

    def verify(self) -> Report:
        """Check every byte that is held; damaged contents are put aside and fetched again by the next pull.

        Raises
        ------
        WrongKeyError, DifferentError
            The head or the manifest was altered on this machine.
        """
        copy = self._held()
        state = copy.state
        head = rules.believed(
            state.signed,
            keys=rules.trusted(state.pinned, state.chain),
            scope=state.scope,
            organisation=state.organisation,
            held=None,
            now=datetime.min.replace(tzinfo=UTC),
        )
        rules.require(copy.holdings, head)
        for one in sorted(copy.holdings.digests()):
            body = self._store.content(one)
            if body is not None and digest(body) != one:
                self._store.set_aside(self._clock(), "damaged on this machine", one, body, held=True)
        return self._report(copy)

    def profiles(self) -> list[Entry]:
        """Every profile that is to be used here, the narrowest holding of each, by name; EmptyError."""
        return sorted(self._in_force(self._held()).values(), key=lambda entry: (entry.name, entry.profile))

    def show(self, profile: str) -> Held:
        """A profile by its id or name, verified as it is read.

        Raises
        ------
        MissingError, DamagedError, EmptyError
        """
        copy = self._held()
        found = [one for one in self._in_force(copy).values() if profile in {one.profile, one.name}]
        if len(found) != 1:
            names = ", ".join(one.name for one in self.profiles()) or "none"
            raise MissingError(f"{'several' if found else 'no'} profiles are called {profile!r}; held are {names}")
        entry = found[0]
        body = self._store.content(entry.digest)
        if body is None or digest(body) != entry.digest:
            raise DamagedError(f"the content of {entry.name} is damaged on this machine: pull again before using it")
        return Held(entry=entry, content=msgspec.Raw(body), notes=self._notes_on(entry, copy))

    def export(self, path: Path) -> Report:
        """Write everything that is held as one bundle file, for another replica of the same scope."""
        copy = self._held()
        contents = {one: self._store.content(one) for one in sorted(copy.holdings.digests())}
        whole = {one: body for one, body in contents.items() if body is not None and digest(body) == one}
        if len(whole) != len(contents):
            raise DamagedError("some contents are damaged on this machine: pull again before exporting")
        bundle.write(path, copy, whole)
        return self._report(copy)

    def import_(self, path: Path, *, pin: str | None = None) -> Report:
        """Take over a bundle file, by the same rules as a pull; nothing of it where anything does not fit.

        Raises
        ------
        BundleError, ReplicaError
        """
        arrived, contents = bundle.read(path)
        copy = self._store.read()
        state = arrived.state
        trust = _Trust(copy, copy.state.scope if copy else state.scope, state.chain, pin, self._clock)
        head = trust.believed(state.signed)
        rules.require(arrived.holdings, head)
        bundle.require_exactly(contents, arrived.holdings.digests())
        after = Copy(
            msgspec.structs.replace(
                state,
                pinned=trust.keys[0],
                epoch=head.epoch,
                position=head.position,
                organisation=head.organisation,
                pulled=self._clock(),
            ),
            arrived.holdings,
        )
        self._store.keep(after, contents)
        self._store.clear(after.holdings.digests())
        return self._report(after, fetched=len(contents))

    def _held(self) -> Copy:
        copy = self._store.read()
        if copy is None:
            raise EmptyError(f"{self._store.path} holds nothing yet: pull first, or import a bundle")
        return copy

    def _in_force(self, copy: Copy) -> dict[str, Entry]:
        """The entry of each profile for the scope: a branch's own before the organisation's."""
        branch = rules.branch_of(copy.state.scope)
        found: dict[str, Entry] = {}
        for (target, one, profile), entry in copy.holdings.entries.items():
            if (target == Target.BRANCH and one == branch) or (target == Target.ORGANISATION and profile not in found):
                found[profile] = rules.entry_of(entry)
        return found

    def _notes_on(self, entry: Entry, copy: Copy) -> list[str]:
        now = self._clock()
        notes = []
        if entry.valid_until is not None:
            over = entry.valid_until <= now
            notes.append(
                f"PROVISIONAL: {'not valid since' if over else 'valid until'} {entry.valid_until:%Y-%m-%d %H:%M}"
            )
        if entry.check_due is not None and entry.check_due <= now:
            notes.append(f"Its check was due on {entry.check_due:%Y-%m-%d}: make check catches")
        return notes + self._doubts(copy)

    def _doubts(self, copy: Copy) -> list[str]:
        """What is doubtful about the age of the proof."""
        head = msgspec.json.decode(copy.state.signed.head, type=Head)
        now = self._clock()
        doubts = []
        if head.expires <= now:
            doubts.append(f"Not proved since {head.expires:%Y-%m-%d}: pull, or have a bundle brought")
        if now < copy.state.pulled - timedelta(hours=1) or head.expires - now > LONGEST_PROOF + timedelta(hours=1):
            doubts.append("The clock of this machine is behind: set it, since the age of the proof depends on it")
        return doubts

    def _report(self, copy: Copy, *, fetched: int = 0) -> Report:
        state = copy.state
        told = copy.holdings.documents(state.scope)
        head = msgspec.json.decode(state.signed.head, type=Head)
        missing = self._missing(copy)
        notes = self._doubts(copy)
        if missing:
            notes.append(f"{len(missing)} contents are damaged or missing here: pull again")
        return Report(
            scope=state.scope,
            organisation=state.organisation,
            epoch=state.epoch,
            position=state.position,
            manifest=digest(told.manifest),
            exceptions=digest(told.exceptions),
            profiles=len(self._in_force(copy)),
            pulled=state.pulled,
            proved_until=head.expires,
            out_of_date=head.expires <= self._clock(),
            contents_fetched=fetched,
            damaged=len(missing),
            notes=notes,
        )


def _scope(branch: str | None) -> str:
    return "organisation" if branch is None else f"branch:{branch}"


def _require_an_end(count: int, *, stuck: bool) -> None:
    if stuck or count > MOST_ITEMS:
        raise DifferentError("the service sends without end")
