"""Commissionings of machines, what they run, and corrections; holdings are found by where they begin and end."""

from typing import Any, Final

import sqlalchemy as sa
from alembic import op

revision: Final = "0003"
down_revision: Final = "0002"

_TEXT: Final = sa.String().with_variant(sa.String(collation="C"), "postgresql")


def upgrade() -> None:
    """Make the tables and the indexes."""
    op.create_table(
        "commissionings",
        sa.Column("organisation", sa.Uuid(), nullable=False),
        sa.Column("machine", sa.Uuid(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        _moment("done"),
        _moment("due"),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        _moment("recorded"),
        sa.Column("recorded_by", _TEXT, nullable=False),
        sa.PrimaryKeyConstraint("organisation", "machine", "number", name=op.f("pk_commissionings")),
        sa.ForeignKeyConstraint(
            ["organisation", "machine"],
            ["machines.organisation", "machines.id"],
            name=op.f("fk_commissionings_machines"),
        ),
        sa.CheckConstraint("number >= 1", name=op.f("ck_commissionings_number")),
    )
    op.create_index("ix_commissionings_done", "commissionings", ["organisation", "machine", "done"])
    for column in ("from_position", "to_position"):
        op.create_index(f"ix_holdings_{column}", "holdings", ["organisation", column])


    _corrections()
    _running()


def _corrections() -> None:
    op.create_table(
        "corrections",
        sa.Column("organisation", sa.Uuid(), nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("profile", sa.Uuid(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("machine", sa.Uuid(), nullable=True),
        sa.Column("lot", _TEXT, nullable=True),
        sa.Column("branch", sa.Uuid(), nullable=True),
        sa.Column("entry", sa.LargeBinary(), nullable=False),
        sa.Column("from_position", sa.BigInteger(), nullable=False),
        sa.Column("to_position", sa.BigInteger(), nullable=True),
        _moment("ended", nullable=True),
        sa.PrimaryKeyConstraint("organisation", "id", "from_position", name=op.f("pk_corrections")),
        _refers("corrections", "revisions", profile="profile", number="number"),
        _refers("corrections", "machines", machine="id"),
        _refers("corrections", "branches", branch="id"),
        sa.CheckConstraint("(machine IS NULL) <> (lot IS NULL)", name=op.f("ck_corrections_machine")),
        sa.CheckConstraint("(to_position IS NULL) = (ended IS NULL)", name=op.f("ck_corrections_ended")),
    )
    op.create_index("ix_corrections_revision", "corrections", ["organisation", "profile", "number"])
    op.create_index("ix_corrections_machine", "corrections", ["organisation", "machine"])


def _running() -> None:
    op.create_table(
        "running",
        sa.Column("organisation", sa.Uuid(), nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("machine", sa.Uuid(), nullable=False),
        sa.Column("profile", sa.Uuid(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("digest", _TEXT, nullable=False),
        _moment("at"),
        sa.Column("by", _TEXT, nullable=False),
        _moment("received"),
        sa.PrimaryKeyConstraint("organisation", "id", name=op.f("pk_running")),
        _refers("running", "machines", machine="id"),
        _refers("running", "revisions", profile="profile", number="number"),
        sa.UniqueConstraint(
            "organisation", "machine", "profile", "at", name=op.f("uq_running_organisation_machine_profile_at")
        ),
    )


def _refers(name: str, table: str, **columns: str) -> sa.ForeignKeyConstraint:
    there = [f"{table}.{column}" for column in ("organisation", *columns.values())]
    return sa.ForeignKeyConstraint(["organisation", *columns], there, name=op.f(f"fk_{name}_{table}"))


def _moment(name: str, *, nullable: bool = False) -> sa.Column[Any]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)
