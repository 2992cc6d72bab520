"""Rows of the fault matrix on the history: a migration that dies, and a year of runs."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import pytest

from probe.history.keep import Keeper
from probe.history.retention import prune
from probe.history.status import standings
from probe.history.store import open_history
from probe.model.finding import Verdict


def tables(path: Path) -> list[str]:
    """Names of all tables, and the revision that the file says it has."""
    with sqlite3.connect(path) as raw:
        names = [
            row[0] for row in raw.execute("SELECT name FROM sqlite_master WHERE type='table' ORDER BY name")
        ]
        revision = (
            list(raw.execute("SELECT version_num FROM alembic_version")) if "alembic_version" in names else []
        )
    raw.close()
    return [*names, *(row[0] for row in revision)]


def test_a_migration_that_dies_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """S10: the last of several steps fails after it has made a table; then the same file is opened again."""
    from alembic.script import ScriptDirectory

    path = tmp_path / "h.sqlite"
    real = ScriptDirectory._upgrade_revs

    def dies(self: Any, destination: str, current: str | None) -> Any:
        steps = list(real(self, destination, current))
        last = steps[-1].migration_fn

        def half(*rev: Any, **context: Any) -> Any:
            last(*rev, **context)
            raise OSError(28, "No space left on device")

        steps[-1].migration_fn = half
        return steps

    monkeypatch.setattr(ScriptDirectory, "_upgrade_revs", dies)
    with pytest.raises(Exception, match="No space left"):
        open_history(str(path))
    assert tables(path) == [], "nothing of the steps before it is left either"
    monkeypatch.undo()
    store = open_history(str(path))
    assert standings(store) == ()
    store.close()
    assert "run" in tables(path)


def test_a_year_of_runs_stays_small(tmp_path: Path, run_of: Any) -> None:
    """R6: 365 runs of 40 verdicts that hardly change; pruned to a month, the next run is kept at once."""
    path = tmp_path / "h.sqlite"
    store = open_history(str(path))
    keeper = Keeper(store)
    verdicts = {f"check.{n}@52-F{n % 12}": Verdict.PASS for n in range(40)}
    flaps = "check.1@52-F1"
    for first in (1, 74, 147, 220, 293):
        keeper.keep_all(
            run_of(day, verdicts | {flaps: Verdict.FAIL if day % 30 == 0 else Verdict.PASS})
            for day in range(first, first + 73)
        )
    (standing,) = standings(store)
    assert standing.started_ns // (86_400 * 10**9) == 365
    size = sum(one.stat().st_size for one in tmp_path.iterdir())
    assert size < 1_000_000, "14,600 verdicts of a year in less than a megabyte"
    assert prune(store, 335 * 86_400 * 10**9) == 334
    assert Keeper(store).keep(run_of(366, verdicts)).is_new
    (standing,) = standings(store)
    assert standing.started_ns // (86_400 * 10**9) == 366
    store.close()
