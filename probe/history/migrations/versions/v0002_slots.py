"""Slots: what became of every start that a time table asked for."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table."""
    number = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "slot",
        sa.Column("id", number, nullable=False),
        sa.Column("sweep", sa.Text(), nullable=False),
        sa.Column("due_ns", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), server_default="", nullable=False),
        sa.Column("place", sa.Text(), server_default="", nullable=False),
        sa.Column("started_ns", sa.BigInteger(), nullable=True),
        sa.Column("finished_ns", sa.BigInteger(), nullable=True),
        sa.Column("exit_code", sa.Integer(), nullable=True),
        sa.Column("code", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_slot"),
        sa.UniqueConstraint("sweep", "due_ns", name="uq_slot_sweep_due_ns"),
    )


def downgrade() -> None:
    """History never goes back: an older version refuses it."""
    raise NotImplementedError
