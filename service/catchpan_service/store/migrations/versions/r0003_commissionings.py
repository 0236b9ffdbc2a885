"""Commissionings of machines; holdings are found by the positions at which they begin and end."""

from typing import Any, Final

import sqlalchemy as sa
from alembic import op

revision: Final = "0003"
down_revision: Final = "0002"


def upgrade() -> None:
    """Make the table and the indexes."""
    op.create_table(
        "commissionings",
        sa.Column("organisation", sa.Uuid(), nullable=False),
        sa.Column("machine", sa.Uuid(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        _moment("done"),
        _moment("due"),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        _moment("recorded"),
        sa.Column("recorded_by", sa.String().with_variant(sa.String(collation="C"), "postgresql"), nullable=False),
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


def _moment(name: str) -> sa.Column[Any]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=False)
