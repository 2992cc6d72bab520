"""Tables of the history, the same on SQLite and PostgreSQL; migrations/ holds how they came about.

Runs hold the truth, packed. All other tables follow from the runs of a lineup in the order of time and can
be made again from them: ``latest`` in ``lineup``, ``life`` (a finding opened, seen, closed), ``change`` (a
text about a device changed), ``span`` and ``chunk`` (one series over many runs).
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    Table,
    Text,
    UniqueConstraint,
)

METADATA = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)

#: SQLite numbers rows by itself only where the type is INTEGER.
Id = BigInteger().with_variant(Integer(), "sqlite")

lineup = Table(
    "lineup",
    METADATA,
    Column("id", Id, primary_key=True),
    Column("site", Text, nullable=False),
    Column("name", Text, nullable=False),
    # Derived: the latest run by its start, what is known of facts then, runs that are in no span yet.
    Column("latest_run", Id),
    Column("latest_ns", BigInteger, nullable=False, server_default="0"),
    Column("known_sheet", Id),
    Column("loose", Integer, nullable=False, server_default="0"),
    Column("spanned_ns", BigInteger, nullable=False, server_default="0"),
    Column("baseline_run", Id),  # accepted for comparison; set by people
    UniqueConstraint("site", "name"),
)

layout = Table(
    "layout",
    METADATA,
    Column("id", Id, primary_key=True),
    Column("lineup_id", Id, ForeignKey("lineup.id", ondelete="CASCADE"), nullable=False),
    Column("sha256", Text, nullable=False),
    Column("verdicts", LargeBinary, nullable=False),  # series ids, in the order of a block
    Column("numbers", LargeBinary, nullable=False),
    UniqueConstraint("lineup_id", "sha256"),
)

series = Table(
    "series",
    METADATA,
    Column("id", Id, primary_key=True),
    Column("lineup_id", Id, ForeignKey("lineup.id", ondelete="CASCADE"), nullable=False),
    Column("is_number", Boolean, nullable=False),
    Column("subject", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("unit", Text, nullable=False, server_default=""),
    UniqueConstraint("lineup_id", "is_number", "subject", "name", "unit"),
)

sheet = Table(  # facts of a run, whole; most runs share theirs with the run before
    "sheet",
    METADATA,
    Column("id", Id, primary_key=True),
    Column("lineup_id", Id, ForeignKey("lineup.id", ondelete="CASCADE"), nullable=False),
    Column("sha256", Text, nullable=False),
    Column("facts", LargeBinary, nullable=False),
    UniqueConstraint("lineup_id", "sha256"),
)

run = Table(
    "run",
    METADATA,
    Column("id", Id, primary_key=True),
    Column("lineup_id", Id, ForeignKey("lineup.id", ondelete="CASCADE"), nullable=False),
    Column("started_ns", BigInteger, nullable=False),
    Column("finished_ns", BigInteger, nullable=False),
    Column("code", Text, nullable=False),
    Column("complete", Boolean, nullable=False),
    Column("place", Text, nullable=False),
    Column("tool_version", Text, nullable=False),
    Column("passes", Integer, nullable=False),
    Column("fails", Integer, nullable=False),
    Column("reviews", Integer, nullable=False),
    Column("untested", Integer, nullable=False),
    Column("layout_id", Id, ForeignKey("layout.id"), nullable=False),
    Column("sheet_id", Id, ForeignKey("sheet.id"), nullable=False),
    Column("verdicts", LargeBinary, nullable=False),
    Column("numbers", LargeBinary, nullable=False),
    Column("said", LargeBinary, nullable=False),
    UniqueConstraint("lineup_id", "code"),
    Index(None, "lineup_id", "started_ns"),
)

life = Table(
    "life",
    METADATA,
    Column("id", Id, primary_key=True),
    Column("lineup_id", Id, ForeignKey("lineup.id", ondelete="CASCADE"), nullable=False),
    Column("finding", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("verdict", SmallInteger, nullable=False),  # code of pack.py, as last seen
    Column("title", Text, nullable=False),
    Column("danger", SmallInteger, nullable=False),
    Column("cause", Text, nullable=False),
    Column("opened_ns", BigInteger, nullable=False),
    Column("opened_run", Id, nullable=False),
    Column("closed_ns", BigInteger),  # none while it is open
    Column("closed_run", Id),
    Column("times", Integer, nullable=False),  # of change of verdict or title while it was open
    Index(None, "lineup_id", "closed_ns"),
    Index(None, "lineup_id", "finding", "opened_ns"),
)

change = Table(
    "change",
    METADATA,
    Column("id", Id, primary_key=True),
    Column("lineup_id", Id, ForeignKey("lineup.id", ondelete="CASCADE"), nullable=False),
    Column("run_id", Id, nullable=False),
    Column("at_ns", BigInteger, nullable=False),
    Column("kind", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("before", Text),  # none where it was seen for the first time
    Column("after", Text),
    Index(None, "lineup_id", "at_ns"),
)

span = Table(
    "span",
    METADATA,
    Column("id", Id, primary_key=True),
    Column("lineup_id", Id, ForeignKey("lineup.id", ondelete="CASCADE"), nullable=False),
    Column("first_ns", BigInteger, nullable=False),
    Column("last_ns", BigInteger, nullable=False),
    Column("times", LargeBinary, nullable=False),  # starts of its runs
    Index(None, "lineup_id", "first_ns"),
)

chunk = Table(
    "chunk",
    METADATA,
    Column("series_id", Id, primary_key=True, autoincrement=False),
    Column("span_id", Id, primary_key=True, autoincrement=False),
    Column("data", LargeBinary, nullable=False),
    sqlite_with_rowid=False,
)

slot = Table(  # what became of every start that a time table asked for
    "slot",
    METADATA,
    Column("id", Id, primary_key=True),
    Column("sweep", Text, nullable=False),
    Column("due_ns", BigInteger, nullable=False),  # of the time table
    Column("state", Text, nullable=False),  # running, done, stopped, failed, missed, skipped
    Column("why", Text, nullable=False, server_default=""),
    Column("place", Text, nullable=False, server_default=""),
    Column("started_ns", BigInteger),
    Column("finished_ns", BigInteger),
    Column("exit_code", Integer),
    Column("code", Text, nullable=False, server_default=""),  # of the record
    UniqueConstraint("sweep", "due_ns"),
)

alert = Table(  # what people are told of, as long as it lasts
    "alert",
    METADATA,
    Column("id", Id, primary_key=True),
    Column("sweep", Text, nullable=False),
    Column("key", Text, nullable=False),  # cause, finding, or what else went wrong
    Column("state", Text, nullable=False),  # coming, open, going, over
    Column("verdict", Text, nullable=False),
    Column("danger", SmallInteger, nullable=False),
    Column("title", Text, nullable=False),
    Column("members", Text, nullable=False),  # findings, as JSON
    Column("seen", Integer, nullable=False),  # runs in a row that showed it, or its contrary
    Column("since_ns", BigInteger, nullable=False),
    Column("over_ns", BigInteger),
    Column("acknowledged_by", Text, nullable=False, server_default=""),
    Column("reason", Text, nullable=False, server_default=""),
    Column("quiet_until_ns", BigInteger, nullable=False, server_default="0"),
    Index(None, "sweep", "state"),
)

message = Table(  # what must still be told; a row is done when the other side has taken it
    "message",
    METADATA,
    Column("id", Id, primary_key=True),
    Column("channel", Text, nullable=False),
    Column("made_ns", BigInteger, nullable=False),
    Column("body", Text, nullable=False),  # JSON
    Column("tries", Integer, nullable=False, server_default="0"),
    Column("next_ns", BigInteger, nullable=False),
    Column("done_ns", BigInteger),
    Column("trouble", Text, nullable=False, server_default=""),
    Index(None, "done_ns", "next_ns"),
)
