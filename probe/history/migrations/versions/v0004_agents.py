"""Agents: who they are, what they deliver."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the tables."""
    op.create_table(
        "agent",
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("token", sa.Text(), nullable=False),
        sa.Column("version", sa.Text(), nullable=False),
        sa.Column("form", sa.Integer(), nullable=False),
        sa.Column("seen_ns", sa.BigInteger(), nullable=False),
        sa.Column("offset_ns", sa.BigInteger(), nullable=False),
        sa.Column("waiting", sa.Integer(), server_default="0", nullable=False),
        sa.Column("trouble", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("site", name="pk_agent"),
    )
    op.create_table(
        "delivery",
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("sweep", sa.Text(), nullable=False),
        sa.Column("due_ns", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("form", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), server_default="", nullable=False),
        sa.Column("exit_code", sa.Integer(), nullable=True),
        sa.Column("begun_ns", sa.BigInteger(), nullable=False),
        sa.Column("offset_ns", sa.BigInteger(), nullable=False),
        sa.Column("sha256", sa.Text(), server_default="", nullable=False),
        sa.Column("pieces", sa.Integer(), server_default="0", nullable=False),
        sa.Column("taken", sa.Boolean(), server_default="false", nullable=False),
        sa.Column("trouble", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("site", "sweep", "due_ns", name="pk_delivery"),
    )
    op.create_table(
        "piece",
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("site", "sha256", "number", name="pk_piece"),
    )
    op.create_table(
        "engine_step",
        sa.Column("name", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_engine_step"),
    )


def downgrade() -> None:
    """History never goes back: an older version refuses it."""
    raise NotImplementedError
