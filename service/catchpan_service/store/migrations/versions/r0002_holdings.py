"""Branches and machines, holdings, signing keys, and what replicas say; what is released is held from now on."""

import os
from datetime import UTC, datetime
from typing import Any, Final

import rfc8785
import sqlalchemy as sa
from alembic import op
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from catchpan_service.store import fence

revision: Final = "0002"
down_revision: Final = "0001"


def upgrade() -> None:
    """Make the tables, then a holding for each released revision and a signing key for each organisation."""
    _documents("branches")
    _documents(
        "machines",
        sa.Column("branch", sa.Uuid(), nullable=False),
        sa.Column("machine_kind", sa.Uuid(), nullable=False),
        _refers("machines", ("branch",), "branches", ("id",)),
        _refers("machines", ("machine_kind",), "machine_kinds", ("id",)),
    )
    op.add_column("counters", sa.Column("floor", sa.BigInteger(), nullable=False, server_default=sa.text("0")))
    op.add_column("changes", _text("audience", nullable=True))
    op.add_column("changes", sa.Column("holding", sa.LargeBinary(), nullable=True))
    op.create_index("ix_changes_subject", "changes", ["organisation", "kind", "id"])
    op.add_column("revisions", sa.Column("branch", sa.Uuid(), nullable=True))
    op.add_column("revisions", sa.Column("valid_until", sa.DateTime(timezone=True), nullable=True))
    _holdings()
    _unsafe()
    _signers()
    _replicas()
    _hold_what_is_released()
    _sign_for_everybody()


def _owned(name: str, *parts: Any, key: tuple[str, ...]) -> None:
    op.create_table(
        name,
        sa.Column("organisation", sa.Uuid(), nullable=False),
        *parts,
        sa.PrimaryKeyConstraint("organisation", *key, name=op.f(f"pk_{name}")),
    )


def _text(name: str, *, nullable: bool = False) -> Any:
    kept = sa.String().with_variant(sa.String(collation="C"), "postgresql")
    return sa.Column(name, kept, nullable=nullable)


def _refers(
    name: str, columns: tuple[str, ...], table: str, targets: tuple[str, ...]
) -> sa.ForeignKeyConstraint:
    there = [f"{table}.{column}" for column in ("organisation", *targets)]
    return sa.ForeignKeyConstraint(["organisation", *columns], there, name=op.f(f"fk_{name}_{table}"))


def _check(text: str, name: str) -> sa.CheckConstraint:
    return sa.CheckConstraint(text, name=op.f(name))


def _documents(name: str, *parts: Any) -> None:
    _owned(
        name,
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        _text("name", nullable=False),
        *parts,
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed", sa.DateTime(timezone=True), nullable=False),
        _refers(name, (), "organisations", ()),
        sa.UniqueConstraint("organisation", "name", name=op.f(f"uq_{name}_organisation_name")),
        _check("version >= 1", f"ck_{name}_version"),
        key=("id",),
    )


def _holdings() -> None:
    _owned(
        "holdings",
        _text("target_kind", nullable=False),
        sa.Column("target", sa.Uuid(), nullable=False),
        sa.Column("branch", sa.Uuid(), nullable=True),
        sa.Column("profile", sa.Uuid(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        _text("digest", nullable=False),
        sa.Column("entry", sa.LargeBinary(), nullable=False),
        sa.Column("from_position", sa.BigInteger(), nullable=False),
        sa.Column("to_position", sa.BigInteger(), nullable=True),
        _refers("holdings", ("profile", "number"), "revisions", ("profile", "number")),
        _refers("holdings", ("digest",), "contents", ("digest",)),
        _refers("holdings", ("branch",), "branches", ("id",)),
        _check("target_kind IN ('organisation', 'branch', 'machine')", "ck_holdings_target_kind"),
        _check("(target_kind = 'organisation') = (branch IS NULL)", "ck_holdings_branch"),
        _check("to_position IS NULL OR to_position > from_position", "ck_holdings_position"),
        key=("target_kind", "target", "profile", "from_position"),
    )
    op.create_index("ix_holdings_profile", "holdings", ["organisation", "profile", "number"])
    op.create_index(
        "ix_holdings_open",
        "holdings",
        ["organisation", "target_kind", "target", "profile"],
        unique=True,
        sqlite_where=sa.text("to_position IS NULL"),
        postgresql_where=sa.text("to_position IS NULL"),
    )


def _unsafe() -> None:
    _owned(
        "unsafe",
        sa.Column("profile", sa.Uuid(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        _text("digest", nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        _refers("unsafe", ("profile", "number"), "revisions", ("profile", "number")),
        key=("profile", "number"),
    )


def _signers() -> None:
    _owned(
        "signers",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("seed", sa.LargeBinary(), nullable=False),
        _text("key", nullable=False),
        _text("introduction", nullable=True),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        _refers("signers", (), "organisations", ()),
        _check("number >= 1", "ck_signers_number"),
        key=("number",),
    )


def _replicas() -> None:
    _owned(
        "replicas",
        sa.Column("branch", sa.Uuid(), nullable=False),
        sa.Column("epoch", sa.Integer(), nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        _text("manifest", nullable=False),
        _text("exceptions", nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("key", sa.Uuid(), nullable=False),
        _refers("replicas", ("branch",), "branches", ("id",)),
        key=("branch",),
    )


def _table(name: str, *columns: str, **kinds: Any) -> sa.TableClause:
    known = {"organisation": sa.Uuid(), "profile": sa.Uuid(), "id": sa.Uuid(), "machine_kind": sa.Uuid()}
    return sa.table(name, *(sa.column(column, (known | kinds).get(column, sa.String())) for column in columns))


def _hold_what_is_released() -> None:
    revisions = _table("revisions", "organisation", "profile", "number", "digest", "state", "check_due",
                       number=sa.Integer(), check_due=sa.DateTime(timezone=True))
    profiles = _table("profiles", "organisation", "id", "name", "machine_kind")
    counters = _table("counters", "organisation", "position", position=sa.BigInteger())
    holdings = _table(
        "holdings", "organisation", "target_kind", "target", "profile", "number", "digest", "entry", "from_position",
        target=sa.Uuid(), number=sa.Integer(), entry=sa.LargeBinary(), from_position=sa.BigInteger(),
    )
    released = (
        sa.select(revisions, profiles.c.name, profiles.c.machine_kind, counters.c.position)
        .join(profiles, sa.and_(profiles.c.organisation == revisions.c.organisation,
                                profiles.c.id == revisions.c.profile))
        .join(counters, counters.c.organisation == revisions.c.organisation)
        .where(revisions.c.state == "released")
    )
    connection = op.get_bind()
    with fence.down(connection, "revisions"), fence.down(connection, "profiles"), fence.down(connection, "counters"):
        rows = connection.execute(released).mappings().all()
        count = connection.scalar(sa.select(sa.func.count()).select_from(revisions).where(
            revisions.c.state == "released"))
    if len(rows) != count:
        raise RuntimeError(f"{count} revisions are released, but {len(rows)} were found with their profile")
    for row in rows:
        connection.execute(holdings.insert().values(
            organisation=row["organisation"], target_kind="organisation", target=row["organisation"],
            profile=row["profile"], number=row["number"], digest=row["digest"], entry=_entry(row),
            from_position=row["position"],
        ))


def _entry(row: Any) -> bytes:
    due = row["check_due"]
    if due is not None:
        due = (due.replace(tzinfo=UTC) if due.tzinfo is None else due.astimezone(UTC)).isoformat()
        due = due.replace("+00:00", "Z")
    return rfc8785.dumps({
        "profile": str(row["profile"]), "name": row["name"], "machine_kind": str(row["machine_kind"]),
        "number": row["number"], "digest": row["digest"], "state": "released", "check_due": due, "valid_until": None,
    })


def _sign_for_everybody() -> None:
    signers = _table("signers", "organisation", "number", "seed", "key", "created",
                     number=sa.Integer(), seed=sa.LargeBinary(), created=sa.DateTime(timezone=True))
    connection = op.get_bind()
    with fence.down(connection, "organisations"):
        found = connection.execute(sa.select(_table("organisations", "organisation"))).scalars().all()
    for organisation in found:
        seed = os.urandom(32)
        public = Ed25519PrivateKey.from_private_bytes(seed).public_key()
        connection.execute(signers.insert().values(
            organisation=organisation, number=1, seed=seed, created=datetime.now(UTC),
            key=public.public_bytes(Encoding.Raw, PublicFormat.Raw).hex(),
        ))
