"""Alerts, and the messages that must still be told."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add both tables."""
    number = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "alert",
        sa.Column("id", number, nullable=False),
        sa.Column("sweep", sa.Text(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("verdict", sa.Text(), nullable=False),
        sa.Column("danger", sa.SmallInteger(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("members", sa.Text(), nullable=False),
        sa.Column("seen", sa.Integer(), nullable=False),
        sa.Column("since_ns", sa.BigInteger(), nullable=False),
        sa.Column("over_ns", sa.BigInteger(), nullable=True),
        sa.Column("acknowledged_by", sa.Text(), server_default="", nullable=False),
        sa.Column("reason", sa.Text(), server_default="", nullable=False),
        sa.Column("quiet_until_ns", sa.BigInteger(), server_default="0", nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_alert"),
    )
    op.create_index("ix_alert_sweep_state", "alert", ["sweep", "state"])
    op.create_table(
        "message",
        sa.Column("id", number, nullable=False),
        sa.Column("channel", sa.Text(), nullable=False),
        sa.Column("made_ns", sa.BigInteger(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("tries", sa.Integer(), server_default="0", nullable=False),
        sa.Column("next_ns", sa.BigInteger(), nullable=False),
        sa.Column("done_ns", sa.BigInteger(), nullable=True),
        sa.Column("trouble", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_message"),
    )
    op.create_index("ix_message_done_ns_next_ns", "message", ["done_ns", "next_ns"])


def downgrade() -> None:
    """History never goes back: an older version refuses it."""
    raise NotImplementedError
