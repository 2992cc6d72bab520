"""The store: WAL, migrations, and what it refuses."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import textwrap
from pathlib import Path
from typing import Any

import pytest

from probe.history.schema import METADATA
from probe.history.status import standings
from probe.history.store import open_history
from probe.model.errors import InputError


def test_the_migrations_make_what_the_schema_says(history: Any) -> None:
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    with history.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, METADATA) == []


def test_a_history_opens_again_and_is_in_wal_mode(tmp_path: Path) -> None:
    path = tmp_path / "h.sqlite"
    for _ in range(2):
        store = open_history(str(path))
        with store.engine.connect() as connection:
            assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        store.close()


def refusal(where: object, **how: Any) -> str:
    with pytest.raises(InputError) as refused:
        open_history(str(where), **how)
    return str(refused.value)


def test_a_newer_database_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "h.sqlite"
    open_history(str(path)).close()
    with sqlite3.connect(path) as raw:
        raw.execute("UPDATE alembic_version SET version_num = '9999'")
    raw.close()
    before = path.read_bytes()
    assert "newer version" in refusal(path)
    assert path.read_bytes() == before


def test_damage_is_named_with_its_remedy(tmp_path: Path) -> None:
    path = tmp_path / "h.sqlite"
    open_history(str(path)).close()
    data = bytearray(path.read_bytes())
    data[4096 : 4096 * 3] = os.urandom(4096 * 2)
    path.write_bytes(data)
    said = refusal(path)
    assert "damaged" in said
    assert "sweep rebuild" in said
    path.write_bytes(b"no database at all, but long enough to be looked at" * 10)
    assert "damaged" in refusal(path)


def test_damage_that_sqlite_quotes_in_its_own_words_is_told_as_damage(tmp_path: Path) -> None:
    """Found by fuzzing: what SQLite says of a table's name that is no text is itself no text."""
    path = tmp_path / "history.sqlite"
    open_history(str(path)).close()
    whole = path.read_bytes()
    assert whole.count(b"CREATE TABLE lineup") == 1
    path.write_bytes(whole.replace(b"CREATE TABLE lineup", b"CREATE \xffABLE lineup"))
    assert "damaged" in refusal(path)


@pytest.mark.parametrize(
    ("where", "words"),
    [
        ("postgresql://me:secret@db/x", "password"),
        ("postgresql://me@db/x?password=secret", "password"),
        ("mysql://me@db/x?password=secret", "kind mysql"),
        ("mysql://db/x", "kind mysql"),
        ("postgresql://%", "history"),
        ("no/such/folder/h.sqlite", "no folder"),
    ],
)
def test_addresses_that_are_none(where: str, words: str) -> None:
    said = refusal(where)
    assert words in said
    assert "secret" not in said


def test_a_missing_driver_is_told_with_what_to_install(tmp_path: Path) -> None:
    fleet = tmp_path / "fleet.yaml"
    fleet.write_text(
        "format: buswitness-fleet/1\nhistory: postgresql://u@127.0.0.1:1/x?sslmode=disable\n"
        "sweeps: [{name: a, map: a.yaml, at: 0 2 * * *}]\n"
    )
    for command in ("status", "run", "import"):
        words = ["sweep", command, str(fleet), *([str(fleet)] if command == "import" else [])]
        script = f"import sys; sys.modules['psycopg'] = None; sys.argv[1:] = {words!r}\n"
        script += "from probe.cli.main import run; sys.exit(run())"
        told = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
        assert told.returncode == 2, told.stderr
        assert "pip install 'buswitness[fleet]'" in told.stderr
        assert "postgresql://u@127.0.0.1:1/x" in told.stderr
        assert "Traceback" not in told.stderr


def test_a_file_that_is_not_there_is_made_only_when_asked(tmp_path: Path) -> None:
    assert "no such file" in refusal(tmp_path / "none.sqlite", create=False)
    assert not (tmp_path / "none.sqlite").exists()
    assert "a folder" in refusal(tmp_path)


WRITER = """
    import sys
    from probe.history.digest import RunDigest, Series
    from probe.history.keep import Keeper
    from probe.history.store import open_history
    from probe.model.finding import Verdict

    keeper = Keeper(open_history(sys.argv[1]))
    for number in range(1, 100_000):
        keeper.keep(RunDigest(site="S", lineup="L", started_ns=number, finished_ns=number, code=str(number),
                    complete=True, tool_version="0", verdicts={Series("52-F1", "a.b"): Verdict.PASS}))
        print(number, flush=True)
"""


def test_a_killed_writer_leaves_every_run_that_it_told(tmp_path: Path) -> None:
    path = tmp_path / "h.sqlite"
    process = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(WRITER), str(path)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    told = 0
    for line in process.stdout:
        told = int(line)
        if told >= 40:
            process.send_signal(getattr(signal, "SIGKILL", signal.SIGTERM))
            break
    rest = process.stdout.read().split()
    told = int(rest[-1]) if rest else told
    process.wait()
    process.stdout.close()
    store = open_history(str(path))
    (standing,) = standings(store)
    store.close()
    assert told <= standing.started_ns <= told + 1
