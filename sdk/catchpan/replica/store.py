"""The local copy: one SQLite file, changed by one transaction at a time.

Contents are kept by digest, as the bytes that were hashed.
"""

import sqlite3
from collections.abc import Callable, Iterable, Mapping
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any, Final, Literal, NamedTuple, Self

import msgspec

from catchpan.contract.sync import SignedHead, SigningKey, Target
from catchpan.manifests import Unsafe
from catchpan.replica.errors import DamagedError, ReplicaError
from catchpan.replica.rules import Holdings, Line

_TABLES: Final = """
CREATE TABLE IF NOT EXISTS state (one INTEGER PRIMARY KEY CHECK (one = 1), body BLOB NOT NULL);
CREATE TABLE IF NOT EXISTS holdings (
    target TEXT NOT NULL, id TEXT NOT NULL, profile TEXT NOT NULL, entry BLOB NOT NULL, digest TEXT NOT NULL,
    PRIMARY KEY (target, id, profile)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS unsafe (
    profile TEXT NOT NULL, number INTEGER NOT NULL, digest TEXT NOT NULL, PRIMARY KEY (profile, number)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS corrections (id TEXT PRIMARY KEY, entry BLOB NOT NULL);
CREATE TABLE IF NOT EXISTS contents (digest TEXT PRIMARY KEY, body BLOB NOT NULL);
CREATE TABLE IF NOT EXISTS pages (asked TEXT PRIMARY KEY, body BLOB NOT NULL);
CREATE TABLE IF NOT EXISTS quarantine (at TEXT NOT NULL, why TEXT NOT NULL, digest TEXT NOT NULL, body BLOB NOT NULL);
"""


# Whether a commit waits for the disk.
_DURABLE: Final = "synchronous=FULL"
_QUICK: Final = "synchronous=NORMAL"

# A dictionary is five times as fast as the enum's own look-up.
_TARGETS: Final = {target.value: target for target in Target}


# The second where SQLite's message quotes damaged text, which Python cannot read.
_FAILURES: Final = (sqlite3.Error, UnicodeDecodeError)


class State(msgspec.Struct, frozen=True, kw_only=True):
    """What a replica knows beside its holdings: whom it trusts, and the head that it proved last."""

    format: Literal[1]
    scope: str
    organisation: str
    pinned: str
    chain: list[SigningKey]
    signed: SignedHead
    epoch: int
    position: int
    cursor: str
    pulled: datetime


class Copy(NamedTuple):
    """The state and the holdings that go with it."""

    state: State
    holdings: Holdings

    def digests(self) -> tuple[str, str]:
        """The digests of the manifest and of its exceptions."""
        return self.holdings.told(self.state.scope)


class LocalStore:
    """The file of a replica; SQLite errors come as ReplicaError."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._connection = sqlite3.connect(path, isolation_level=None)
            # Before the first table: contents have some kB, and with the usual 4096 they spill over.
            for pragma in ("page_size=16384", "journal_mode=WAL", "wal_autocheckpoint=4000", _DURABLE):
                self._connection.execute(f"PRAGMA {pragma}")
            self._connection.executescript(_TABLES)
        except _FAILURES as error:
            raise DamagedError(f"{path} cannot be read as a replica: {error}; move it away and pull anew") from error

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def read(self) -> Copy | None:
        """What is held; None where nothing was pulled yet."""
        found = self._all("SELECT body FROM state")
        if not found:
            return None
        try:
            state = msgspec.json.decode(_bytes(found[0][0]), type=State)
            return Copy(state, self._holdings())
        except (msgspec.DecodeError, ValueError) as error:
            raise DamagedError(f"what {self.path} holds is damaged; move the file away and pull anew") from error

    def _holdings(self) -> Holdings:
        lines = {
            (_TARGETS.get(target) or Target(target), one, profile): Line(_bytes(entry), named)
            for target, one, profile, entry, named in self._all("SELECT * FROM holdings")
        }
        unsafe = frozenset(Unsafe(*row) for row in self._all("SELECT profile, number, digest FROM unsafe"))
        corrections = {one: _bytes(entry) for one, entry in self._all("SELECT id, entry FROM corrections")}
        return Holdings(lines, unsafe, corrections)

    def content(self, digest: str) -> bytes | None:
        """The bytes of a content, as they lie here."""
        found = self._all("SELECT body FROM contents WHERE digest = ?", digest)
        return _bytes(found[0][0]) if found else None

    def missing(self) -> frozenset[str]:
        """The digests that are held but of which there are no bytes."""
        return frozenset(row[0] for row in self._all("SELECT digest FROM holdings EXCEPT SELECT digest FROM contents"))

    def held_digests(self) -> frozenset[str]:
        """The digests of which there are bytes."""
        return frozenset(row[0] for row in self._all("SELECT digest FROM contents"))

    def keep(self, before: Copy | None, after: Copy, contents: Mapping[str, bytes]) -> None:
        """Put a state, its holdings and contents in place of those before, all of it or nothing."""
        held = {} if before is None else before.holdings.lines
        lines = after.holdings.lines.items()
        changed = {place: line for place, line in lines if held.get(place) != line}
        gone = held.keys() - after.holdings.lines.keys()
        wanted = after.holdings.digests()
        over = set() if before is None else before.holdings.digests() - wanted
        new = [(named, body) for named, body in contents.items() if named in wanted]

        def run() -> None:
            self._many("INSERT OR REPLACE INTO contents VALUES (?, ?)", new)
            self._many(
                "INSERT OR REPLACE INTO holdings VALUES (?, ?, ?, ?, ?)",
                [(target.value, one, profile, *line) for (target, one, profile), line in changed.items()],
            )
            self._many(
                "DELETE FROM holdings WHERE (target, id, profile) = (?, ?, ?)",
                [(target.value, one, profile) for target, one, profile in gone],
            )
            self._many("DELETE FROM contents WHERE digest = ?", [(one,) for one in over])
            self._many("DELETE FROM unsafe", [()])
            self._many("INSERT INTO unsafe VALUES (?, ?, ?)", after.holdings.unsafe)
            self._many("DELETE FROM corrections", [()])
            self._many("INSERT INTO corrections VALUES (?, ?)", after.holdings.corrections.items())
            self._many("INSERT OR REPLACE INTO state VALUES (1, ?)", [(msgspec.json.encode(after.state),)])
            self._many("DELETE FROM pages", [()])

        self._transaction(run)

    def page(self, asked: str) -> bytes | None:
        """A page that a pull was sent before it was cut off; nothing in it is proved."""
        found = self._all("SELECT body FROM pages WHERE asked = ?", asked)
        return _bytes(found[0][0]) if found else None

    def keep_page(self, asked: str, body: bytes) -> None:
        """Keep a page until all that belongs to it has come, and is proved; a power cut may lose it."""
        self._connection.execute(f"PRAGMA {_QUICK}")
        try:
            self._transaction(lambda: self._many("INSERT OR REPLACE INTO pages VALUES (?, ?)", [(asked, body)]))
        finally:
            self._connection.execute(f"PRAGMA {_DURABLE}")

    def forget_pages(self) -> None:
        """Forget the pages that were kept."""
        self._transaction(lambda: self._many("DELETE FROM pages", [()]))

    def set_aside(self, at: datetime, why: str, digest: str, body: bytes, *, held: bool) -> None:
        """Put damaged bytes aside for somebody to look at; with ``held`` they are no longer served."""

        def run() -> None:
            self._many("INSERT INTO quarantine VALUES (?, ?, ?, ?)", [(at.isoformat(), why, digest, body)])
            if held:
                self._many("DELETE FROM contents WHERE digest = ?", [(digest,)])

        self._transaction(run)

    def _transaction(self, run: Callable[[], None]) -> None:
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                run()
                self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise
        except _FAILURES as error:
            raise ReplicaError(f"{self.path} could not be written ({error}); it holds what it held before") from error

    def _many(self, statement: str, rows: Iterable[Any]) -> None:
        self._connection.executemany(statement, rows)

    def _all(self, statement: str, *values: Any) -> list[Any]:
        try:
            with closing(self._connection.execute(statement, values)) as cursor:
                return cursor.fetchall()
        except _FAILURES as error:
            raise DamagedError(f"{self.path} cannot be read: {error}; move it away and pull anew") from error


def _bytes(kept: Any) -> bytes:
    """What lies in a column, also where another program put text there; nothing for what is neither."""
    if isinstance(kept, str):
        return kept.encode()
    return kept if isinstance(kept, bytes) else b""
