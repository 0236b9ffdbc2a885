"""Rollouts in waves, and check catches in what machines are said to run."""

from typing import Any, Final

import sqlalchemy as sa
from alembic import op

revision: Final = "0004"
down_revision: Final = "0003"

_LIVE: Final = sa.text("phase IN ('taking_up', 'soaking', 'held', 'passed')")


def upgrade() -> None:
    """Make the two tables and the column."""
    with op.batch_alter_table("running") as running:
        running.add_column(_text("check", nullable=True))
        running.create_check_constraint(op.f("ck_running_check"), "\"check\" IN ('accepted', 'refused')")
    op.create_index("ix_running_profile", "running", ["organisation", "profile", "machine", "at"])
    _rollouts()
    _rollout_machines()


def _rollouts() -> None:
    op.create_table(
        "rollouts",
        sa.Column("organisation", sa.Uuid(), nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("profile", sa.Uuid(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        _text("digest"),
        _text("phase"),
        sa.Column("wave", sa.Integer(), nullable=False),
        _moment("since"),
        _text("why"),
        sa.Column("before", sa.Integer(), nullable=True),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        _moment("created"),
        _text("created_by"),
        _moment("changed"),
        sa.PrimaryKeyConstraint("organisation", "id", name=op.f("pk_rollouts")),
        _refers_to_revision("rollouts"),
        sa.CheckConstraint("version >= 1 AND wave >= 1", name=op.f("ck_rollouts_version")),
        sa.CheckConstraint(
            "phase IN ('taking_up', 'soaking', 'held', 'passed', 'released', 'undone', 'ended')",
            name=op.f("ck_rollouts_phase"),
        ),
    )
    op.create_index(
        "ix_rollouts_live",
        "rollouts",
        ["organisation", "profile"],
        unique=True,
        sqlite_where=_LIVE,
        postgresql_where=_LIVE,
    )


def _rollout_machines() -> None:
    op.create_table(
        "rollout_machines",
        sa.Column("organisation", sa.Uuid(), nullable=False),
        sa.Column("rollout", sa.Uuid(), nullable=False),
        sa.Column("machine", sa.Uuid(), nullable=False),
        sa.Column("wave", sa.Integer(), nullable=False),
        _moment("since", nullable=True),
        sa.PrimaryKeyConstraint("organisation", "rollout", "machine", name=op.f("pk_rollout_machines")),
        _refers("rollout_machines", "rollout", "rollouts"),
        _refers("rollout_machines", "machine", "machines"),
        sa.CheckConstraint("wave >= 1", name=op.f("ck_rollout_machines_wave")),
    )
    op.create_index(
        "ix_rollout_machines_wave", "rollout_machines", ["organisation", "rollout", "wave", "machine"]
    )


def _text(name: str, *, nullable: bool = False) -> sa.Column[Any]:
    kind = sa.String().with_variant(sa.String(collation="C"), "postgresql")
    return sa.Column(name, kind, nullable=nullable)


def _moment(name: str, *, nullable: bool = False) -> sa.Column[Any]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)


def _refers(table: str, column: str, other: str) -> sa.ForeignKeyConstraint:
    there = [f"{other}.organisation", f"{other}.id"]
    return sa.ForeignKeyConstraint(["organisation", column], there, name=op.f(f"fk_{table}_{other}"))


def _refers_to_revision(table: str) -> sa.ForeignKeyConstraint:
    there = ["revisions.organisation", "revisions.profile", "revisions.number"]
    name = op.f(f"fk_{table}_revisions")
    return sa.ForeignKeyConstraint(["organisation", "profile", "number"], there, name=name)
