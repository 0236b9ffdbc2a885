"""The tables. Every primary, unique and foreign key begins with the organisation, so no row can refer to another's.

Two exceptions are the administrator's own: the name of an organisation is unique, and a key is found by its hash.
Closed sets are plain strings with a named CHECK, which a migration can change on each database.
"""

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    Column,
    DateTime,
    Double,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    String,
    Table,
    TypeDecorator,
    UniqueConstraint,
    Uuid,
    text,
)
from sqlalchemy.engine import Dialect

metadata = MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "fk": "fk_%(table_name)s_%(referred_table_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
    }
)


class Moment(TypeDecorator[datetime]):
    """An instant in UTC; SQLite drops the zone, so it is put back on the way out."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        """To UTC; a naive datetime is refused by ``astimezone`` only on some systems, so here."""
        if value is not None and value.tzinfo is None:
            raise ValueError("an instant without a zone")
        return value and value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        """From what the database kept, always in UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


def _owned(name: str, *parts: Any, key: tuple[str, ...]) -> Table:
    """A table of an organisation's rows: its own key, and the organisation in front of it."""
    return Table(
        name,
        metadata,
        Column("organisation", Uuid, nullable=False),
        *parts,
        PrimaryKeyConstraint("organisation", *key),
    )


def _refers(column: str, table: str, target: str = "id", *, within: str = "") -> ForeignKeyConstraint:
    middle = [within] if within else []
    there = ["organisation", *middle, target]
    return ForeignKeyConstraint(["organisation", *middle, column], [f"{table}.{name}" for name in there])


# Compared and ordered byte by byte on both databases, whatever language a server was set up for.
Text = String().with_variant(String(collation="C"), "postgresql")


def _text(name: str, *, nullable: bool = False) -> Column[str]:
    return Column(name, Text, nullable=nullable)


def _moment(name: str, *, nullable: bool = False) -> Column[datetime]:
    return Column(name, Moment, nullable=nullable)


def _document(name: str, *parts: Any) -> Table:
    """A table of named JSON documents, each with a version; ``parts`` are columns that mirror members of the body."""
    return _owned(
        name,
        Column("id", Uuid, nullable=False),
        Column("version", Integer, nullable=False),
        _text("name"),
        *parts,
        Column("body", LargeBinary, nullable=False),
        _moment("created"),
        _moment("changed"),
        ForeignKeyConstraint(["organisation"], ["organisations.organisation"]),
        UniqueConstraint("organisation", "name"),
        CheckConstraint("version >= 1", name="version"),
        key=("id",),
    )


organisations = _owned(
    "organisations",
    _text("name"),
    _text("units"),
    _moment("created"),
    UniqueConstraint("name"),
    CheckConstraint("units IN ('us', 'si')", name="units"),
    key=(),
)

counters = _owned(
    "counters",
    Column("epoch", Integer, nullable=False),
    Column("position", BigInteger, nullable=False),
    _text("chain_head"),
    Column("floor", BigInteger, nullable=False, server_default=text("0")),
    Column("hearing", Integer, nullable=False, server_default=text("0")),  # webhooks that something is sent to
    ForeignKeyConstraint(["organisation"], ["organisations.organisation"]),
    CheckConstraint("epoch >= 1 AND position >= 0", name="position"),
    key=(),
)

keys = _owned(
    "keys",
    Column("id", Uuid, nullable=False),
    _text("name"),
    _text("hash"),
    _text("role"),
    Column("branch", Uuid, nullable=True),
    _moment("created"),
    _moment("expires", nullable=True),
    _moment("revoked", nullable=True),
    _moment("last_used", nullable=True),
    ForeignKeyConstraint(["organisation"], ["organisations.organisation"]),
    CheckConstraint("role IN ('owner', 'calibrator', 'branch', 'reader', 'calendar')", name="role"),
    CheckConstraint("branch IS NULL OR role IN ('branch', 'calendar')", name="branch"),
    Index("ix_keys_hash", "hash"),
    key=("id",),
)

materials = _document("materials")
machine_kinds = _document("machine_kinds")
branches = _document("branches")
machines = _document(
    "machines",
    Column("branch", Uuid, nullable=False),
    Column("machine_kind", Uuid, nullable=False),
    _refers("branch", "branches"),
    _refers("machine_kind", "machine_kinds"),
)

profiles = _owned(
    "profiles",
    Column("id", Uuid, nullable=False),
    Column("version", Integer, nullable=False),
    Column("material", Uuid, nullable=False),
    Column("machine_kind", Uuid, nullable=False),
    _text("name"),
    Column("latest", Integer, nullable=True),
    Column("released", Integer, nullable=True),
    _moment("created"),
    _moment("changed"),
    _refers("material", "materials"),
    _refers("machine_kind", "machine_kinds"),
    UniqueConstraint("organisation", "material", "machine_kind"),
    CheckConstraint("version >= 1", name="version"),
    CheckConstraint("released IS NULL OR released <= latest", name="released"),
    key=("id",),
)

contents = _owned(
    "contents",
    _text("digest"),
    Column("body", LargeBinary, nullable=False),
    _moment("created"),
    ForeignKeyConstraint(["organisation"], ["organisations.organisation"]),
    key=("digest",),
)

revisions = _owned(
    "revisions",
    Column("profile", Uuid, nullable=False),
    Column("number", Integer, nullable=False),
    Column("version", Integer, nullable=False),
    Column("parent", Integer, nullable=True),
    _text("state"),
    _text("digest"),
    _text("author"),
    _text("note"),
    Column("findings", LargeBinary, nullable=False),
    _moment("created"),
    _moment("changed"),
    _text("reason", nullable=True),
    _text("override", nullable=True),
    _moment("released", nullable=True),
    _text("released_by", nullable=True),
    _moment("check_due", nullable=True),
    Column("branch", Uuid, nullable=True),
    _moment("valid_until", nullable=True),
    _moment("withdrawn", nullable=True),
    _text("withdrawn_by", nullable=True),
    _text("withdrawn_because", nullable=True),
    _text("withdrawn_reason", nullable=True),
    _refers("profile", "profiles"),
    _refers("parent", "revisions", "number", within="profile"),
    _refers("digest", "contents", "digest"),
    CheckConstraint("version >= 1", name="version"),
    CheckConstraint("number >= 1 AND (parent IS NULL OR parent < number)", name="number"),
    CheckConstraint("state IN ('draft', 'provisional', 'released', 'withdrawn')", name="state"),
    CheckConstraint(
        "(state = 'withdrawn') = (withdrawn_because IS NOT NULL) AND (state = 'withdrawn') = (withdrawn IS NOT NULL)",
        name="withdrawn",
    ),
    CheckConstraint("withdrawn_because IN ('replaced', 'unsafe')", name="withdrawn_because"),
    CheckConstraint("state <> 'released' OR (released IS NOT NULL AND reason IS NOT NULL)", name="released"),
    key=("profile", "number"),
)

# Whatever a program does: never two released revisions of one profile.
Index(
    "ix_revisions_released",
    revisions.c.organisation,
    revisions.c.profile,
    unique=True,
    sqlite_where=text("state = 'released'"),
    postgresql_where=text("state = 'released'"),
)

changes = _owned(
    "changes",
    Column("position", BigInteger, nullable=False),
    Column("n", Integer, nullable=False),
    _text("kind"),
    _text("id"),
    _text("event"),
    _text("digest", nullable=True),
    _text("audience", nullable=True),
    Column("holding", LargeBinary, nullable=True),
    ForeignKeyConstraint(["organisation"], ["organisations.organisation"]),
    Index("ix_changes_subject", "organisation", "kind", "id"),
    key=("position", "n"),
)

audit = _owned(
    "audit",
    Column("position", BigInteger, nullable=False),
    _moment("at"),
    Column("key", Uuid, nullable=False),
    _text("operation"),
    _text("subjects"),
    _text("previous"),
    _text("hash"),
    ForeignKeyConstraint(["organisation"], ["organisations.organisation"]),
    key=("position",),
)

idempotency = _owned(
    "idempotency",
    _text("key"),
    _text("operation"),
    _text("request_digest"),
    Column("status", Integer, nullable=False),
    Column("body", LargeBinary, nullable=False),
    _text("etag", nullable=True),
    _text("location", nullable=True),
    _moment("at"),
    ForeignKeyConstraint(["organisation"], ["organisations.organisation"]),
    Index("ix_idempotency_at", "organisation", "at"),
    key=("key",),
)

# What is to be held, from one position of the feed to another: never changed but to end it, never thrown away.
holdings = _owned(
    "holdings",
    _text("target_kind"),
    Column("target", Uuid, nullable=False),
    Column("branch", Uuid, nullable=True),
    Column("profile", Uuid, nullable=False),
    Column("number", Integer, nullable=False),
    _text("digest"),
    Column("entry", LargeBinary, nullable=False),
    Column("from_position", BigInteger, nullable=False),
    Column("to_position", BigInteger, nullable=True),
    _refers("number", "revisions", "number", within="profile"),
    _refers("digest", "contents", "digest"),
    _refers("branch", "branches"),
    CheckConstraint("target_kind IN ('organisation', 'branch', 'machine')", name="target_kind"),
    CheckConstraint("(target_kind = 'organisation') = (branch IS NULL)", name="branch"),
    CheckConstraint("to_position IS NULL OR to_position > from_position", name="position"),
    Index("ix_holdings_profile", "organisation", "profile", "number"),
    Index("ix_holdings_from_position", "organisation", "from_position"),
    Index("ix_holdings_to_position", "organisation", "to_position"),
    key=("target_kind", "target", "profile", "from_position"),
)

# One target holds one revision of a profile at a time.
Index(
    "ix_holdings_open",
    holdings.c.organisation,
    holdings.c.target_kind,
    holdings.c.target,
    holdings.c.profile,
    unique=True,
    sqlite_where=text("to_position IS NULL"),
    postgresql_where=text("to_position IS NULL"),
)

# Revisions that nobody may use any more, since the position at which that was said.
unsafe = _owned(
    "unsafe",
    Column("profile", Uuid, nullable=False),
    Column("number", Integer, nullable=False),
    _text("digest"),
    Column("position", BigInteger, nullable=False),
    _refers("number", "revisions", "number", within="profile"),
    key=("profile", "number"),
)

# What machines were said to run; reports come late and twice, so they are kept by what they say.
running = _owned(
    "running",
    Column("id", Uuid, nullable=False),
    Column("machine", Uuid, nullable=False),
    Column("profile", Uuid, nullable=False),
    Column("number", Integer, nullable=False),
    _text("digest"),
    _moment("at"),
    _text("by"),
    _text("check", nullable=True),
    _moment("received"),
    _refers("machine", "machines"),
    _refers("number", "revisions", "number", within="profile"),
    UniqueConstraint("organisation", "machine", "profile", "at"),
    CheckConstraint("\"check\" IN ('accepted', 'refused')", name="check"),
    Index("ix_running_profile", "organisation", "profile", "machine", "at"),
    key=("id",),
)

# Factors on flow for one machine or one lot, on one revision: never changed but to end them.
corrections = _owned(
    "corrections",
    Column("id", Uuid, nullable=False),
    Column("profile", Uuid, nullable=False),
    Column("number", Integer, nullable=False),
    Column("machine", Uuid, nullable=True),
    _text("lot", nullable=True),
    Column("branch", Uuid, nullable=True),
    Column("entry", LargeBinary, nullable=False),
    Column("from_position", BigInteger, nullable=False),
    Column("to_position", BigInteger, nullable=True),
    _moment("ended", nullable=True),
    _refers("number", "revisions", "number", within="profile"),
    _refers("machine", "machines"),
    _refers("branch", "branches"),
    CheckConstraint("(machine IS NULL) <> (lot IS NULL)", name="machine"),
    CheckConstraint("(to_position IS NULL) = (ended IS NULL)", name="ended"),
    Index("ix_corrections_revision", "organisation", "profile", "number"),
    Index("ix_corrections_machine", "organisation", "machine"),
    key=("id", "from_position"),
)

# Ed25519 seeds, and the key before each that vouches for it; the newest signs.
signers = _owned(
    "signers",
    Column("number", Integer, nullable=False),
    Column("seed", LargeBinary, nullable=False),
    _text("key"),
    _text("introduction", nullable=True),
    _moment("created"),
    ForeignKeyConstraint(["organisation"], ["organisations.organisation"]),
    CheckConstraint("number >= 1", name="number"),
    key=("number",),
)

# What was found on a machine, in the order in which it was recorded; never changed.
commissionings = _owned(
    "commissionings",
    Column("machine", Uuid, nullable=False),
    Column("number", Integer, nullable=False),
    _moment("done"),
    _moment("due"),
    Column("body", LargeBinary, nullable=False),
    _moment("recorded"),
    _text("recorded_by"),
    _refers("machine", "machines"),
    CheckConstraint("number >= 1", name="number"),
    Index("ix_commissionings_done", "organisation", "machine", "done"),
    key=("machine", "number"),
)

# What machines delivered, as caught again or used on a job, in the order in which it was recorded; never changed but to
# strike it. What follows from a record is kept beside it, in SI, since lists, charts, spreads and totals go by it.
checks = _owned(
    "checks",
    Column("machine", Uuid, nullable=False),
    Column("number", Integer, nullable=False),
    Column("id", Uuid, nullable=False),
    Column("branch", Uuid, nullable=False),
    Column("profile", Uuid, nullable=False),
    Column("revision", Integer, nullable=False),
    Column("material", Uuid, nullable=False),
    _text("digest"),
    _moment("at"),
    _text("month"),
    Column("body", LargeBinary, nullable=False),
    Column("correction", Double, nullable=False),
    _text("decision", nullable=True),
    *(
        Column(name, Double, nullable=True)
        for name in ("ratio", "uncertainty", "factor", "used", "area", "nitrogen", "phosphate", "potash")
    ),
    _moment("recorded"),
    _text("recorded_by"),
    _moment("struck", nullable=True),
    _text("why_struck", nullable=True),
    _refers("machine", "machines"),
    _refers("branch", "branches"),
    _refers("material", "materials"),
    ForeignKeyConstraint(
        ["organisation", "profile", "revision"], ["revisions.organisation", "revisions.profile", "revisions.number"]
    ),
    UniqueConstraint("organisation", "id"),
    CheckConstraint("number >= 1", name="number"),
    CheckConstraint("(struck IS NULL) = (why_struck IS NULL)", name="struck"),
    Index("ix_checks_at", "organisation", "machine", "at"),
    Index("ix_checks_profile", "organisation", "profile", "revision", "machine", "at"),
    Index("ix_checks_month", "organisation", "month"),
    key=("machine", "number"),
)

# Machines that take up a revision in waves, instead of what their branch or everybody holds.
rollouts = _owned(
    "rollouts",
    Column("id", Uuid, nullable=False),
    Column("version", Integer, nullable=False),
    Column("profile", Uuid, nullable=False),
    Column("number", Integer, nullable=False),
    _text("digest"),
    _text("phase"),
    Column("wave", Integer, nullable=False),
    _moment("since"),
    _text("why"),
    Column("before", Integer, nullable=True),  # what everybody held when it began
    Column("body", LargeBinary, nullable=False),
    _moment("created"),
    _text("created_by"),
    _moment("changed"),
    _refers("number", "revisions", "number", within="profile"),
    CheckConstraint("version >= 1 AND wave >= 1", name="version"),
    CheckConstraint("phase IN ('taking_up', 'soaking', 'held', 'passed', 'released', 'undone', 'ended')", name="phase"),
    key=("id",),
)

# Whatever a program does: never two of one profile under way.
_LIVE = text("phase IN ('taking_up', 'soaking', 'held', 'passed')")
Index(
    "ix_rollouts_live",
    rollouts.c.organisation,
    rollouts.c.profile,
    unique=True,
    sqlite_where=_LIVE,
    postgresql_where=_LIVE,
)

rollout_machines = _owned(
    "rollout_machines",
    Column("rollout", Uuid, nullable=False),
    Column("machine", Uuid, nullable=False),
    Column("wave", Integer, nullable=False),
    _moment("since", nullable=True),
    _refers("rollout", "rollouts"),
    _refers("machine", "machines"),
    CheckConstraint("wave >= 1", name="wave"),
    Index("ix_rollout_machines_wave", "organisation", "rollout", "wave", "machine"),
    key=("rollout", "machine"),
)

# What the replica of a branch last said that it holds.
replicas = _owned(
    "replicas",
    Column("branch", Uuid, nullable=False),
    Column("epoch", Integer, nullable=False),
    Column("position", BigInteger, nullable=False),
    _text("manifest"),
    _text("exceptions"),
    _moment("at"),
    Column("key", Uuid, nullable=False),
    _refers("branch", "branches"),
    key=("branch",),
)

# Addresses that hear of changes; the secrets sign what is sent there, so that they are kept as they are.
webhooks = _owned(
    "webhooks",
    Column("id", Uuid, nullable=False),
    _text("url"),
    Column("events", LargeBinary, nullable=False),
    _text("secret", nullable=True),
    _text("old_secret", nullable=True),
    _moment("both_until", nullable=True),
    _moment("created"),
    _moment("disabled", nullable=True),
    _text("why", nullable=True),
    _moment("ended", nullable=True),
    ForeignKeyConstraint(["organisation"], ["organisations.organisation"]),
    CheckConstraint("(ended IS NULL) = (secret IS NOT NULL)", name="secret"),
    CheckConstraint("(old_secret IS NULL) = (both_until IS NULL)", name="old_secret"),
    CheckConstraint("(disabled IS NULL) = (why IS NULL)", name="disabled"),
    key=("id",),
)

# Messages, written with the change that they tell; ``due`` says when one is sent next, and is moved on while it is.
deliveries = _owned(
    "deliveries",
    Column("id", Uuid, nullable=False),
    Column("webhook", Uuid, nullable=False),
    _text("type"),
    Column("body", LargeBinary, nullable=False),
    _moment("made"),
    Column("attempts", Integer, nullable=False),
    _moment("due", nullable=True),
    Column("status", Integer, nullable=True),
    _text("answer", nullable=True),
    _moment("delivered", nullable=True),
    _moment("given_up", nullable=True),
    _refers("webhook", "webhooks"),
    CheckConstraint("attempts >= 0", name="attempts"),
    CheckConstraint("(due IS NULL) = (delivered IS NOT NULL OR given_up IS NOT NULL)", name="due"),
    CheckConstraint("delivered IS NULL OR given_up IS NULL", name="finished"),
    Index("ix_deliveries_webhook", "organisation", "webhook", "id"),
    Index("ix_deliveries_due", "organisation", "due"),
    Index("ix_deliveries_made", "organisation", "made"),
    key=("id",),
)
