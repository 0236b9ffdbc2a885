"""First tables: organisations, keys, materials, machine kinds, profiles and revisions, and the bookkeeping of writes."""

from typing import Any, Final

import sqlalchemy as sa
from alembic import op

revision: Final = "0001"
down_revision: Final = None


def upgrade() -> None:
    """Make the tables, those that are referred to first."""
    _organisations()
    _bookkeeping()
    _keys()
    for name in ("materials", "machine_kinds"):
        _documents(name)
    _profiles()
    _contents()
    _revisions()


def _owned(name: str, *parts: Any, key: tuple[str, ...]) -> None:
    op.create_table(
        name,
        sa.Column("organisation", sa.Uuid(), nullable=False),
        *parts,
        sa.PrimaryKeyConstraint("organisation", *key, name=op.f(f"pk_{name}")),
    )


def _of_organisation(name: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(
        ["organisation"], ["organisations.organisation"], name=op.f(f"fk_{name}_organisations")
    )


def _text(name: str, *, nullable: bool = False) -> Any:
    kept = sa.String().with_variant(sa.String(collation="C"), "postgresql")
    return sa.Column(name, kept, nullable=nullable)


def _moment(name: str, *, nullable: bool = False) -> Any:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)


def _check(text: str, name: str) -> sa.CheckConstraint:
    return sa.CheckConstraint(text, name=op.f(name))


def _organisations() -> None:
    _owned(
        "organisations",
        _text("name"),
        _text("units"),
        _moment("created"),
        sa.UniqueConstraint("name", name=op.f("uq_organisations_name")),
        _check("units IN ('us', 'si')", "ck_organisations_units"),
        key=(),
    )


def _bookkeeping() -> None:
    _owned(
        "counters",
        sa.Column("epoch", sa.Integer(), nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        _text("chain_head"),
        _of_organisation("counters"),
        _check("epoch >= 1 AND position >= 0", "ck_counters_position"),
        key=(),
    )
    _owned(
        "changes",
        sa.Column("position", sa.BigInteger(), nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        _text("kind"),
        _text("id"),
        _text("event"),
        _text("digest", nullable=True),
        _of_organisation("changes"),
        key=("position", "n"),
    )
    _owned(
        "audit",
        sa.Column("position", sa.BigInteger(), nullable=False),
        _moment("at"),
        sa.Column("key", sa.Uuid(), nullable=False),
        _text("operation"),
        _text("subjects"),
        _text("previous"),
        _text("hash"),
        _of_organisation("audit"),
        key=("position",),
    )
    _idempotency()


def _idempotency() -> None:
    _owned(
        "idempotency",
        _text("key"),
        _text("operation"),
        _text("request_digest"),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        _text("etag", nullable=True),
        _text("location", nullable=True),
        _moment("at"),
        _of_organisation("idempotency"),
        key=("key",),
    )
    op.create_index("ix_idempotency_at", "idempotency", ["organisation", "at"])


def _keys() -> None:
    _owned(
        "keys",
        sa.Column("id", sa.Uuid(), nullable=False),
        _text("name"),
        _text("hash"),
        _text("role"),
        sa.Column("branch", sa.Uuid(), nullable=True),
        _moment("created"),
        _moment("expires", nullable=True),
        _moment("revoked", nullable=True),
        _moment("last_used", nullable=True),
        _of_organisation("keys"),
        _check("role IN ('owner', 'calibrator', 'branch', 'reader')", "ck_keys_role"),
        _check("branch IS NULL OR role = 'branch'", "ck_keys_branch"),
        key=("id",),
    )
    op.create_index("ix_keys_hash", "keys", ["hash"])


def _documents(name: str) -> None:
    _owned(
        name,
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        _text("name"),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        _moment("created"),
        _moment("changed"),
        _of_organisation(name),
        sa.UniqueConstraint("organisation", "name", name=op.f(f"uq_{name}_organisation_name")),
        _check("version >= 1", f"ck_{name}_version"),
        key=("id",),
    )


def _profiles() -> None:
    _owned(
        "profiles",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("material", sa.Uuid(), nullable=False),
        sa.Column("machine_kind", sa.Uuid(), nullable=False),
        _text("name"),
        sa.Column("latest", sa.Integer(), nullable=True),
        sa.Column("released", sa.Integer(), nullable=True),
        _moment("created"),
        _moment("changed"),
        sa.ForeignKeyConstraint(
            ["organisation", "material"],
            ["materials.organisation", "materials.id"],
            name=op.f("fk_profiles_materials"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation", "machine_kind"],
            ["machine_kinds.organisation", "machine_kinds.id"],
            name=op.f("fk_profiles_machine_kinds"),
        ),
        sa.UniqueConstraint(
            "organisation", "material", "machine_kind", name=op.f("uq_profiles_organisation_material_machine_kind")
        ),
        _check("version >= 1", "ck_profiles_version"),
        _check("released IS NULL OR released <= latest", "ck_profiles_released"),
        key=("id",),
    )


def _contents() -> None:
    _owned(
        "contents",
        _text("digest"),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        _moment("created"),
        _of_organisation("contents"),
        key=("digest",),
    )


def _revisions() -> None:
    _owned(
        "revisions",
        sa.Column("profile", sa.Uuid(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("parent", sa.Integer(), nullable=True),
        _text("state"),
        _text("digest"),
        _text("author"),
        _text("note"),
        sa.Column("findings", sa.LargeBinary(), nullable=False),
        _moment("created"),
        _moment("changed"),
        _text("reason", nullable=True),
        _text("override", nullable=True),
        _moment("released", nullable=True),
        _text("released_by", nullable=True),
        _moment("check_due", nullable=True),
        _moment("withdrawn", nullable=True),
        _text("withdrawn_by", nullable=True),
        _text("withdrawn_because", nullable=True),
        _text("withdrawn_reason", nullable=True),
        *_revision_rules(),
        key=("profile", "number"),
    )
    op.create_index(
        "ix_revisions_released",
        "revisions",
        ["organisation", "profile"],
        unique=True,
        sqlite_where=sa.text("state = 'released'"),
        postgresql_where=sa.text("state = 'released'"),
    )


def _revision_rules() -> tuple[Any, ...]:
    return (
        sa.ForeignKeyConstraint(
            ["organisation", "profile"],
            ["profiles.organisation", "profiles.id"],
            name=op.f("fk_revisions_profiles"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation", "profile", "parent"],
            ["revisions.organisation", "revisions.profile", "revisions.number"],
            name=op.f("fk_revisions_revisions"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation", "digest"],
            ["contents.organisation", "contents.digest"],
            name=op.f("fk_revisions_contents"),
        ),
        _check("version >= 1", "ck_revisions_version"),
        _check("number >= 1 AND (parent IS NULL OR parent < number)", "ck_revisions_number"),
        _check("state IN ('draft', 'provisional', 'released', 'withdrawn')", "ck_revisions_state"),
        _check(
            "(state = 'withdrawn') = (withdrawn_because IS NOT NULL) AND "
            "(state = 'withdrawn') = (withdrawn IS NOT NULL)",
            "ck_revisions_withdrawn",
        ),
        _check("withdrawn_because IN ('replaced', 'unsafe')", "ck_revisions_withdrawn_because"),
        _check("state <> 'released' OR (released IS NOT NULL AND reason IS NOT NULL)", "ck_revisions_released"),
    )
