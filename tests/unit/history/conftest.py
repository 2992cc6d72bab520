"""Digests of made-up runs, and a history of the test's own."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from probe.history.digest import Fact, RunDigest, Said, Series
from probe.history.store import History, open_history
from probe.model.finding import Verdict

DAY_NS = 86_400 * 10**9


@pytest.fixture(scope="session")
def empty_database(postgres: Any) -> str:
    """A database with the history's tables, to be copied."""
    name: str = postgres.new_database()
    open_history(postgres.url(name)).close()
    return name


@pytest.fixture(params=["sqlite", "postgresql"])
def history(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[History]:
    """An empty history, on SQLite and on PostgreSQL: what holds for one holds for the other."""
    if request.param == "sqlite":
        store = open_history(str(tmp_path / "history.sqlite"))
    else:
        server = request.getfixturevalue("postgres")
        like = request.getfixturevalue("empty_database")
        store = open_history(server.url(server.new_database(like=like)))
    yield store
    store.close()


def digest_of(
    day: int,
    verdicts: Mapping[str, Verdict],
    *,
    lineup: str = "MSB-1",
    numbers: Mapping[Series, float] | None = None,
    facts: Mapping[Fact, str] | None = None,
    untested: frozenset[str] = frozenset(),
    code: str = "",
) -> RunDigest:
    """A run of that day. verdicts: by finding id; every subject was tested unless it is in ``untested``."""
    series = {}
    for finding, verdict in verdicts.items():
        check, _, rest = finding.partition("@")
        subject, _, point = rest.partition("#")
        series[Series(subject, f"{check}#{point}" if point else check)] = verdict
    said = tuple(
        Said(finding, verdict, f"{finding} is {verdict.value}", danger=5)
        for finding, verdict in verdicts.items()
        if verdict in (Verdict.FAIL, Verdict.REVIEW)
    )
    return RunDigest(
        site="Tarn Hollow Water Works",
        lineup=lineup,
        started_ns=day * DAY_NS,
        finished_ns=day * DAY_NS + 10**9,
        code=code or f"{lineup}-{day}",
        complete=True,
        tool_version="0",
        tested=frozenset(one.subject for one in series) - untested,
        verdicts=series,
        numbers=numbers or {},
        facts=facts or {},
        said=said,
    )


@pytest.fixture
def run_of() -> Callable[..., RunDigest]:
    """Makes the digest of a run."""
    return digest_of
