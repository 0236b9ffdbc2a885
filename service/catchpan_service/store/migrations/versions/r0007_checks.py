"""Checks of machines: what was caught again, and what was used."""

from typing import Any, Final

import sqlalchemy as sa
from alembic import op

revision: Final = "0007"
down_revision: Final = "0006"

_FIGURES: Final = ("ratio", "uncertainty", "factor", "used", "area", "nitrogen", "phosphate", "potash")


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "checks",
        sa.Column("organisation", sa.Uuid(), nullable=False),
        sa.Column("machine", sa.Uuid(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("branch", sa.Uuid(), nullable=False),
        sa.Column("profile", sa.Uuid(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("material", sa.Uuid(), nullable=False),
        _text("digest"),
        _moment("at"),
        _text("month"),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("correction", sa.Double(), nullable=False),
        _text("decision", nullable=True),
        *(sa.Column(name, sa.Double(), nullable=True) for name in _FIGURES),
        _moment("recorded"),
        _text("recorded_by"),
        _moment("struck", nullable=True),
        _text("why_struck", nullable=True),
        sa.PrimaryKeyConstraint("organisation", "machine", "number", name=op.f("pk_checks")),
        *(_refers(column, f"{column}{'es' if column == 'branch' else 's'}") for column in ("machine", "branch", "material")),
        sa.ForeignKeyConstraint(
            ["organisation", "profile", "revision"],
            ["revisions.organisation", "revisions.profile", "revisions.number"],
            name=op.f("fk_checks_revisions"),
        ),
        sa.UniqueConstraint("organisation", "id", name=op.f("uq_checks_organisation_id")),
        sa.CheckConstraint("number >= 1", name=op.f("ck_checks_number")),
        sa.CheckConstraint("(struck IS NULL) = (why_struck IS NULL)", name=op.f("ck_checks_struck")),
    )
    op.create_index("ix_checks_at", "checks", ["organisation", "machine", "at"])
    op.create_index("ix_checks_profile", "checks", ["organisation", "profile", "revision", "machine", "at"])
    op.create_index("ix_checks_month", "checks", ["organisation", "month"])


def _text(name: str, *, nullable: bool = False) -> sa.Column[Any]:
    kind = sa.String().with_variant(sa.String(collation="C"), "postgresql")
    return sa.Column(name, kind, nullable=nullable)


def _moment(name: str, *, nullable: bool = False) -> sa.Column[Any]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)


def _refers(column: str, other: str) -> sa.ForeignKeyConstraint:
    there = [f"{other}.organisation", f"{other}.id"]
    return sa.ForeignKeyConstraint(["organisation", column], there, name=op.f(f"fk_checks_{other}"))
