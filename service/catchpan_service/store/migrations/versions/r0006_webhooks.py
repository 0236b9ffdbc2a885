"""Webhooks, and the messages that are sent to them."""

from typing import Any, Final

import sqlalchemy as sa
from alembic import op

revision: Final = "0006"
down_revision: Final = "0005"


def upgrade() -> None:
    """Make the two tables, and the column by which a write knows that nobody hears of it."""
    op.add_column("counters", sa.Column("hearing", sa.Integer(), nullable=False, server_default=sa.text("0")))
    _webhooks()
    _deliveries()


def _webhooks() -> None:
    op.create_table(
        "webhooks",
        sa.Column("organisation", sa.Uuid(), nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        _text("url"),
        sa.Column("events", sa.LargeBinary(), nullable=False),
        _text("secret", nullable=True),
        _text("old_secret", nullable=True),
        _moment("both_until", nullable=True),
        _moment("created"),
        _moment("disabled", nullable=True),
        _text("why", nullable=True),
        _moment("ended", nullable=True),
        sa.PrimaryKeyConstraint("organisation", "id", name=op.f("pk_webhooks")),
        sa.ForeignKeyConstraint(
            ["organisation"], ["organisations.organisation"], name=op.f("fk_webhooks_organisations")
        ),
        sa.CheckConstraint("(ended IS NULL) = (secret IS NOT NULL)", name=op.f("ck_webhooks_secret")),
        sa.CheckConstraint("(old_secret IS NULL) = (both_until IS NULL)", name=op.f("ck_webhooks_old_secret")),
        sa.CheckConstraint("(disabled IS NULL) = (why IS NULL)", name=op.f("ck_webhooks_disabled")),
    )


def _deliveries() -> None:
    finished = "(due IS NULL) = (delivered IS NOT NULL OR given_up IS NOT NULL)"
    op.create_table(
        "deliveries",
        sa.Column("organisation", sa.Uuid(), nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("webhook", sa.Uuid(), nullable=False),
        _text("type"),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        _moment("made"),
        sa.Column("attempts", sa.Integer(), nullable=False),
        _moment("due", nullable=True),
        sa.Column("status", sa.Integer(), nullable=True),
        _text("answer", nullable=True),
        _moment("delivered", nullable=True),
        _moment("given_up", nullable=True),
        sa.PrimaryKeyConstraint("organisation", "id", name=op.f("pk_deliveries")),
        sa.ForeignKeyConstraint(
            ["organisation", "webhook"],
            ["webhooks.organisation", "webhooks.id"],
            name=op.f("fk_deliveries_webhooks"),
        ),
        sa.CheckConstraint("attempts >= 0", name=op.f("ck_deliveries_attempts")),
        sa.CheckConstraint(finished, name=op.f("ck_deliveries_due")),
        sa.CheckConstraint("delivered IS NULL OR given_up IS NULL", name=op.f("ck_deliveries_finished")),
    )
    op.create_index("ix_deliveries_webhook", "deliveries", ["organisation", "webhook", "id"])
    op.create_index("ix_deliveries_due", "deliveries", ["organisation", "due"])
    op.create_index("ix_deliveries_made", "deliveries", ["organisation", "made"])


def _text(name: str, *, nullable: bool = False) -> sa.Column[Any]:
    kind = sa.String().with_variant(sa.String(collation="C"), "postgresql")
    return sa.Column(name, kind, nullable=nullable)


def _moment(name: str, *, nullable: bool = False) -> sa.Column[Any]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)
