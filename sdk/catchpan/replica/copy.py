"""A branch's replica: pulls, verifies, answers without network, and travels as a bundle file."""

import gc
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Self

import msgspec

from catchpan.client import Catchpan
from catchpan.contract.sync import Entry, Head, ReplicaReport, SignedHead, SigningKey, SnapshotItem
from catchpan.digest import digest
from catchpan.errors import GoneError, MissingError, UnknownReferenceError
from catchpan.manifests import branch_of, scope_of
from catchpan.replica import bundle, pulling, reports, rules
from catchpan.replica.errors import DamagedError, DifferentError, EmptyError
from catchpan.replica.pulling import Arrived, Trust
from catchpan.replica.reports import HeldProfile, Report
from catchpan.replica.store import Copy, LocalStore, State

Clock = Callable[[], datetime]
_Proved = tuple[Arrived, SignedHead, Head]


def _now() -> datetime:
    return datetime.now(UTC)


@contextmanager
def _uncollected() -> Iterator[None]:
    """Without the collector of cycles: what arrives has none, and it would be looked at again and again."""
    before = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if before:
            gc.enable()


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
        with _uncollected():
            return self._pulled(client, branch, pin)

    def _pulled(self, client: Catchpan, branch: str | None, pin: str | None) -> Report:
        copy = self._store.read()
        scope = copy.state.scope if copy else scope_of(branch or client.organisation().branch)
        signed = client.head(branch=branch_of(scope))
        chain = _chain(client, copy, signed)
        trust = Trust(copy, scope=scope, chain=chain, pin=pin, clock=self._clock)
        head = trust.believed(signed)
        if copy and trust.place == (head.epoch, head.position) and not self._store.missing():
            rules.require(copy.holdings, head)
            arrived = Arrived(copy.holdings, {}, copy.state.cursor, head.position)
        else:
            arrived, signed, head = self._proved(client, copy, (signed, head), trust)
            arrived.contents.update(pulling.fetched(client, arrived, self._store.held_digests))
        state = State(
            format=1,
            scope=scope,
            organisation=head.organisation,
            pinned=trust.keys[0],
            chain=list(chain),
            signed=signed,
            epoch=head.epoch,
            position=head.position,
            cursor=arrived.cursor,
            pulled=self._clock(),
        )
        return self._kept(copy, Copy(state, arrived.holdings), arrived.contents)

    def report_to(self, client: Catchpan) -> None:
        """Tell the office what is held here; nothing where this is not a branch's replica."""
        told = self.status()
        branch = branch_of(told.scope)
        if branch is not None:
            members = {name: getattr(told, name) for name in ReplicaReport.__struct_fields__}
            client.report_replica(branch, ReplicaReport(**members))

    def _proved(self, client: Catchpan, copy: Copy | None, first: tuple[SignedHead, Head], trust: Trust) -> _Proved:
        """What the service sent, with the head that proves it: changes, or else a snapshot that replaces all."""

        def proof(arrived: Arrived) -> _Proved:
            signed, head = first
            if arrived.position != head.position:  # something was written meanwhile
                signed = client.head(branch=trust.branch, at=arrived.position)
                head = trust.believed(signed)
            rules.require(arrived.holdings, head)
            return arrived, signed, head

        def snapshot() -> Arrived:
            return pulling.by_snapshot(client, self._store, trust.scope, self._put_aside)

        def changes(before: Arrived) -> Arrived:
            return pulling.by_changes(client, self._store, trust.scope, before)

        if copy is not None and copy.state.epoch == first[1].epoch:
            with suppress(GoneError, UnknownReferenceError, DifferentError):
                return proof(changes(Arrived(copy.holdings, {}, copy.state.cursor, copy.state.position)))
        if pulling.was_cut_off(self._store, trust.scope):
            with suppress(GoneError, UnknownReferenceError, DifferentError):
                return proof(changes(snapshot()))
        self._store.forget_pages()
        return proof(snapshot())

    def _put_aside(self, item: SnapshotItem) -> None:
        named, body = rules.entry_of(item.entry).digest, bytes(item.content)
        if digest(body) != named:
            self._store.set_aside(self._clock(), "arrived damaged", named, body, held=False)

    # --- without the network

    def status(self) -> Report:
        """What is held, and how old its proof is; EmptyError."""
        copy = self._held()
        return self._report(copy, copy.digests())

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
        for (_, _, profile), line in copy.holdings.lines.items():
            if rules.line_of(line.entry, profile) != line:
                raise DifferentError(f"what is held of {profile} was altered on this machine")
        for one in sorted(copy.holdings.digests()):
            body = self._store.content(one)
            if body is not None and digest(body) != one:
                self._store.set_aside(self._clock(), "damaged on this machine", one, body, held=True)
        return self._report(copy, copy.digests())

    def profiles(self) -> list[Entry]:
        """Every profile that is to be used here, the narrowest holding of each, by name; EmptyError."""
        return sorted(reports.in_force(self._held()).values(), key=lambda entry: (entry.name, entry.profile))

    def show(self, profile: str, *, machine: str | None = None) -> HeldProfile:
        """A profile by its id or name, or what a machine of that id is to use of it, verified as it is read.

        Raises
        ------
        MissingError, DamagedError, EmptyError
        """
        copy, now = self._held(), self._clock()
        entries = reports.in_force(copy, machine).values()
        found = [one for one in entries if profile in {one.profile, one.name}]
        if len(found) != 1:
            names = ", ".join(sorted(one.name for one in entries)) or "none"
            raise MissingError(f"{'several' if found else 'no'} profiles are called {profile!r}; held are {names}")
        entry = found[0]
        notes = reports.notes_on(entry, now) + reports.corrections_on(copy, entry, now) + reports.doubts(copy, now)
        notes += [] if machine else reports.machines_apart(copy, entry)
        return HeldProfile(entry=entry, content=msgspec.Raw(self._whole(entry.digest, entry.name)), notes=notes)

    def export(self, path: Path) -> Report:
        """Write everything that is held as one bundle file, for another replica of the same scope; DamagedError."""
        copy = self._held()
        bundle.write(path, copy, {one: self._whole(one, one) for one in sorted(copy.holdings.digests())})
        return self._report(copy, copy.digests())

    def import_(self, path: Path, *, pin: str | None = None) -> Report:
        """Take over a bundle file, by the same rules as a pull; nothing of it where anything does not fit.

        Raises
        ------
        BundleError, ReplicaError
        """
        arrived, contents = bundle.read(path)
        copy, state = self._store.read(), arrived.state
        scope = copy.state.scope if copy else state.scope
        trust = Trust(copy, scope=scope, chain=state.chain, pin=pin, clock=self._clock)
        head = trust.believed(state.signed)
        rules.require(arrived.holdings, head)
        bundle.require_exactly(contents, arrived.holdings.digests())
        proved = msgspec.structs.replace(
            state,
            pinned=trust.keys[0],
            epoch=head.epoch,
            position=head.position,
            organisation=head.organisation,
            pulled=self._clock(),
        )
        return self._kept(copy, Copy(proved, arrived.holdings), contents)

    def _kept(self, before: Copy | None, after: Copy, contents: dict[str, bytes]) -> Report:
        self._store.keep(before, after, contents)
        head = msgspec.json.decode(after.state.signed.head, type=Head)  # just required of these holdings
        return self._report(after, (head.manifest, head.exceptions), fetched=len(contents))

    def _held(self) -> Copy:
        copy = self._store.read()
        if copy is None:
            raise EmptyError(f"{self._store.path} holds nothing yet: pull first, or import a bundle")
        return copy

    def _whole(self, named: str, said: str) -> bytes:
        """The bytes of a content; DamagedError unless they are those that were hashed."""
        body = self._store.content(named)
        if body is None or digest(body) != named:
            raise DamagedError(f"the content of {said} is damaged on this machine: pull again before using it")
        return body

    def _report(self, copy: Copy, digests: tuple[str, str], *, fetched: int = 0) -> Report:
        missing = len(self._store.missing())
        return reports.report(copy, digests, now=self._clock(), missing=missing, fetched=fetched)


def _chain(client: Catchpan, copy: Copy | None, signed: SignedHead) -> Sequence[SigningKey]:
    """The keys that sign: those that are known, unless another one signed now."""
    known = copy.state.chain if copy else []
    return known if signed.key in {one.key for one in known} else client.signing_keys().items
