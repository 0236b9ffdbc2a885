"""Keys with the role calendar, which may have a branch."""

from typing import Final

from alembic import op

revision: Final = "0005"
down_revision: Final = "0004"


def upgrade() -> None:
    """Let keys have one more role."""
    with op.batch_alter_table("keys") as keys:
        keys.drop_constraint(op.f("ck_keys_role"), type_="check")
        keys.drop_constraint(op.f("ck_keys_branch"), type_="check")
        keys.create_check_constraint(
            op.f("ck_keys_role"), "role IN ('owner', 'calibrator', 'branch', 'reader', 'calendar')"
        )
        keys.create_check_constraint(op.f("ck_keys_branch"), "branch IS NULL OR role IN ('branch', 'calendar')")
