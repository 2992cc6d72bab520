"""The first tables."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make all tables."""
    number = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "chunk",
        sa.Column("series_id", number, autoincrement=False, nullable=False),
        sa.Column("span_id", number, autoincrement=False, nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("series_id", "span_id", name="pk_chunk"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "lineup",
        sa.Column("id", number, nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("latest_run", number, nullable=True),
        sa.Column("latest_ns", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("known_sheet", number, nullable=True),
        sa.Column("loose", sa.Integer(), server_default="0", nullable=False),
        sa.Column("spanned_ns", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("baseline_run", number, nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_lineup"),
        sa.UniqueConstraint("site", "name", name="uq_lineup_site_name"),
    )
    op.create_table(
        "change",
        sa.Column("id", number, nullable=False),
        sa.Column("lineup_id", number, nullable=False),
        sa.Column("run_id", number, nullable=False),
        sa.Column("at_ns", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("before", sa.Text(), nullable=True),
        sa.Column("after", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["lineup_id"], ["lineup.id"], name="fk_change_lineup_id", ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name="pk_change"),
    )
    op.create_index("ix_change_lineup_id_at_ns", "change", ["lineup_id", "at_ns"], unique=False)
    op.create_table(
        "layout",
        sa.Column("id", number, nullable=False),
        sa.Column("lineup_id", number, nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("verdicts", sa.LargeBinary(), nullable=False),
        sa.Column("numbers", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["lineup_id"], ["lineup.id"], name="fk_layout_lineup_id", ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name="pk_layout"),
        sa.UniqueConstraint("lineup_id", "sha256", name="uq_layout_lineup_id_sha256"),
    )
    op.create_table(
        "life",
        sa.Column("id", number, nullable=False),
        sa.Column("lineup_id", number, nullable=False),
        sa.Column("finding", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("verdict", sa.SmallInteger(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("danger", sa.SmallInteger(), nullable=False),
        sa.Column("cause", sa.Text(), nullable=False),
        sa.Column("opened_ns", sa.BigInteger(), nullable=False),
        sa.Column("opened_run", number, nullable=False),
        sa.Column("closed_ns", sa.BigInteger(), nullable=True),
        sa.Column("closed_run", number, nullable=True),
        sa.Column("times", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["lineup_id"], ["lineup.id"], name="fk_life_lineup_id", ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name="pk_life"),
    )
    op.create_index("ix_life_lineup_id_closed_ns", "life", ["lineup_id", "closed_ns"], unique=False)
    op.create_index(
        "ix_life_lineup_id_finding_opened_ns", "life", ["lineup_id", "finding", "opened_ns"], unique=False
    )
    op.create_table(
        "series",
        sa.Column("id", number, nullable=False),
        sa.Column("lineup_id", number, nullable=False),
        sa.Column("is_number", sa.Boolean(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("unit", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(["lineup_id"], ["lineup.id"], name="fk_series_lineup_id", ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name="pk_series"),
        sa.UniqueConstraint(
            "lineup_id",
            "is_number",
            "subject",
            "name",
            "unit",
            name="uq_series_lineup_id_is_number_subject_name_unit",
        ),
    )
    op.create_table(
        "sheet",
        sa.Column("id", number, nullable=False),
        sa.Column("lineup_id", number, nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("facts", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["lineup_id"], ["lineup.id"], name="fk_sheet_lineup_id", ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name="pk_sheet"),
        sa.UniqueConstraint("lineup_id", "sha256", name="uq_sheet_lineup_id_sha256"),
    )
    op.create_table(
        "span",
        sa.Column("id", number, nullable=False),
        sa.Column("lineup_id", number, nullable=False),
        sa.Column("first_ns", sa.BigInteger(), nullable=False),
        sa.Column("last_ns", sa.BigInteger(), nullable=False),
        sa.Column("times", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["lineup_id"], ["lineup.id"], name="fk_span_lineup_id", ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name="pk_span"),
    )
    op.create_index("ix_span_lineup_id_first_ns", "span", ["lineup_id", "first_ns"], unique=False)
    op.create_table(
        "run",
        sa.Column("id", number, nullable=False),
        sa.Column("lineup_id", number, nullable=False),
        sa.Column("started_ns", sa.BigInteger(), nullable=False),
        sa.Column("finished_ns", sa.BigInteger(), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("complete", sa.Boolean(), nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("tool_version", sa.Text(), nullable=False),
        sa.Column("passes", sa.Integer(), nullable=False),
        sa.Column("fails", sa.Integer(), nullable=False),
        sa.Column("reviews", sa.Integer(), nullable=False),
        sa.Column("untested", sa.Integer(), nullable=False),
        sa.Column("layout_id", number, nullable=False),
        sa.Column("sheet_id", number, nullable=False),
        sa.Column("verdicts", sa.LargeBinary(), nullable=False),
        sa.Column("numbers", sa.LargeBinary(), nullable=False),
        sa.Column("said", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["layout_id"], ["layout.id"], name="fk_run_layout_id"),
        sa.ForeignKeyConstraint(["lineup_id"], ["lineup.id"], name="fk_run_lineup_id", ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["sheet_id"], ["sheet.id"], name="fk_run_sheet_id"),
        sa.PrimaryKeyConstraint("id", name="pk_run"),
        sa.UniqueConstraint("lineup_id", "code", name="uq_run_lineup_id_code"),
    )
    op.create_index("ix_run_lineup_id_started_ns", "run", ["lineup_id", "started_ns"], unique=False)


def downgrade() -> None:
    """History never goes back: an older version refuses it."""
    raise NotImplementedError
