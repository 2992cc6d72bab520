"""Migrations: brings the tables of a history to what this version needs, and refuses what is newer."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Engine

from probe.history import agent_tables  # noqa: F401 - its tables belong to the schema
from probe.model.errors import InputError, Problem

_SCRIPTS = Path(__file__).parent / "migrations"
LOCK = 0x6275_7377  # one who brings tables up to date at a time (PostgreSQL's advisory lock)


def bring_up_to_date(engine: Engine, where: str) -> None:
    """Run what is missing, all of it in one transaction or none.

    Raises InputError if a newer version of the tool made the database.
    """
    from alembic import command
    from alembic.config import Config
    from alembic.migration import MigrationContext
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(_SCRIPTS).replace("%", "%%"))
    scripts = ScriptDirectory.from_config(config)
    with engine.connect() as connection:
        current = MigrationContext.configure(connection).get_current_revision()
    if current == scripts.get_current_head():
        return
    if current is not None and current not in {script.revision for script in scripts.walk_revisions()}:
        raise InputError(
            (
                Problem(
                    file=where,
                    what="the history was made by a newer version",
                    field="history",
                    found=f"tables of a newer version of the tool (revision {current})",
                    allowed=f"revisions up to {scripts.get_current_head()}",
                    remedy="use the newer version of the tool, or another history file; nothing was changed",
                ),
            )
        )
    with engine.connect().execution_options(writes=True) as connection, connection.begin():
        if engine.dialect.name == "postgresql":
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({LOCK})")
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
