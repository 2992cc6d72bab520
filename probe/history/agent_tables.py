"""Tables between the centre and its agents; on SQLite they stay empty.

An agent writes here only rows of its own site (row-level security, see ``probe.sweep.agent_roles``). Columns
are added, never changed or taken away: agents and centre may be of different versions.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, Boolean, Column, Integer, LargeBinary, Table, Text

from probe.history.schema import METADATA

agent = Table(  # who works at a site, as the database's clock saw it last
    "agent",
    METADATA,
    Column("site", Text, primary_key=True),
    Column("token", Text, nullable=False),  # of the installation: two agents of one site are refused
    Column("version", Text, nullable=False),
    Column("form", Integer, nullable=False),  # newest form of job that it can read
    Column("seen_ns", BigInteger, nullable=False),
    Column("offset_ns", BigInteger, nullable=False),  # the agent's clock less the database's
    Column("waiting", Integer, nullable=False, server_default="0"),  # results that are not delivered yet
    Column("trouble", Text, nullable=False, server_default=""),
)

delivery = Table(  # how a start ended at its site; written behind its pieces, so it is there whole or not
    "delivery",
    METADATA,
    Column("site", Text, primary_key=True),
    Column("sweep", Text, primary_key=True),
    Column("due_ns", BigInteger, primary_key=True, autoincrement=False),
    Column("form", Integer, nullable=False),
    Column("job_id", BigInteger, nullable=False),
    Column("state", Text, nullable=False),
    Column("why", Text, nullable=False, server_default=""),
    Column("exit_code", Integer),
    Column("begun_ns", BigInteger, nullable=False),  # by the agent's clock
    Column("offset_ns", BigInteger, nullable=False),
    Column("sha256", Text, nullable=False, server_default=""),  # of the packed record; empty without one
    Column("pieces", Integer, nullable=False, server_default="0"),
    Column("taken", Boolean, nullable=False, server_default="false"),
    Column("trouble", Text, nullable=False, server_default=""),  # why the centre could not take it
)

piece = Table(  # of a packed record on its way; deleted when the record is in the store
    "piece",
    METADATA,
    Column("site", Text, primary_key=True),
    Column("sha256", Text, primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("data", LargeBinary, nullable=False),
)

engine_step = Table(  # steps of the job engine's own tables that are done
    "engine_step",
    METADATA,
    Column("name", Text, primary_key=True),
)
