"""History: insert rate, size, fleet status and one-year trend, against plain rows in the same run.

    python -m bench.history [--runs 10000] [--lineups 27] [--postgres URL]

Every run holds 500 findings with their verdicts and 500 numbers; one run in seven has findings that fail;
10,000 daily runs of 27 lineups are a year of each. The peer keeps one indexed row a finding, with its verdict
and its number, written by the standard library's sqlite3 in one transaction a run. Renews its section of
RESULTS.md.
"""

from __future__ import annotations

import argparse
import platform
import random
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from bench.measuring import renew
from probe.history.digest import Fact, RunDigest, Said, Series
from probe.history.keep import Keeper
from probe.history.status import standings
from probe.history.store import open_history
from probe.history.trend import series_in, trend
from probe.model.finding import Verdict

FINDINGS = 500
DAY_NS = 86_400 * 10**9
VERDICTS = [Series(f"52-F{i % 50}", f"check.c{i // 50}") for i in range(FINDINGS)]
NUMBERS = [Series(f"52-F{i % 50}", f"number {i // 50}", "V") for i in range(FINDINGS)]


def digests(runs: int, lineups: int) -> Iterator[RunDigest]:
    """Runs in the order of their days, the lineups in turn."""
    rng = random.Random(1)
    tested = frozenset(series.subject for series in VERDICTS)
    for number in range(runs):
        day, lineup = divmod(number, lineups)
        bad = set(rng.sample(range(FINDINGS), 3)) if day % 7 == 0 else set()
        yield RunDigest(
            site="Tarn Hollow",
            lineup=f"L{lineup}",
            started_ns=(day + 20_000) * DAY_NS + lineup * 10**9,
            finished_ns=(day + 20_000) * DAY_NS + lineup * 10**9 + 10**10,
            code=f"{lineup}-{day}",
            complete=True,
            tool_version="bench",
            tested=tested,
            verdicts={s: Verdict.FAIL if i in bad else Verdict.PASS for i, s in enumerate(VERDICTS)},
            numbers={s: round(230 + rng.gauss(0, 1), 1) for s in NUMBERS},
            facts={Fact("identity", "52-F1", "firmware"): f"1.{day // 100}"},
            said=tuple(
                Said(f"{VERDICTS[i].name}@{VERDICTS[i].subject}", Verdict.FAIL, "Bad", danger=5) for i in bad
            ),
        )


def timed_ms(work: Callable[[], object], times: int = 15) -> float:
    """Median of so many times, after one to warm up."""
    work()
    taken = []
    for _ in range(times):
        began = time.perf_counter()
        work()
        taken.append((time.perf_counter() - began) * 1e3)
    return statistics.median(taken)


def ours(where: str, runs: int, lineups: int) -> dict[str, float]:
    """Rates and times of our history at this path or URL."""
    history = open_history(where)
    keeper, spent_s, marks = Keeper(history), 0.0, {}
    for number, digest in enumerate(digests(runs, lineups), start=1):
        began = time.perf_counter()
        keeper.keep(digest)
        spent_s += time.perf_counter() - began
        if number in (runs // 10, runs // 2):
            marks[f"rows/s up to {number} runs"] = number * FINDINGS / spent_s
    standing = standings(history)[0]
    listed = series_in(history, standing.lineup_id, "52-F3")
    measured = next(one for one in listed if one.is_number)
    verdict = next(one for one in listed if not one.is_number)
    told = {
        **marks,
        f"rows/s up to {runs} runs": runs * FINDINGS / spent_s,
        "status ms": timed_ms(lambda: standings(history)),
        "trend of a number ms": timed_ms(lambda: trend(history, standing.lineup_id, measured)),
        "trend of a verdict ms": timed_ms(lambda: trend(history, standing.lineup_id, verdict)),
        "runs in the trend": float(len(trend(history, standing.lineup_id, measured))),
    }
    history.close()
    if "://" not in where:
        told["bytes a row"] = Path(where).stat().st_size / (runs * FINDINGS)
    return told


def plain_rows(path: str, runs: int, lineups: int) -> dict[str, float]:
    """The peer: one row a finding."""
    base = sqlite3.connect(path, isolation_level=None)
    base.execute("PRAGMA journal_mode=WAL")
    base.execute("PRAGMA synchronous=NORMAL")
    base.execute("CREATE TABLE row(lineup INT, at INT, subject TEXT, name TEXT, verdict INT, value REAL)")
    base.execute("CREATE INDEX by_series ON row(lineup, subject, name, at)")
    base.execute("CREATE INDEX by_run ON row(lineup, at)")
    spent_s = 0.0
    for digest in digests(runs, lineups):
        rows = [
            (int(digest.lineup[1:]), digest.started_ns, s.subject, s.name, int(v is Verdict.FAIL), n)
            for (s, v), n in zip(digest.verdicts.items(), digest.numbers.values(), strict=True)
        ]
        began = time.perf_counter()
        base.execute("BEGIN IMMEDIATE")
        base.executemany("INSERT INTO row VALUES (?,?,?,?,?,?)", rows)
        base.execute("COMMIT")
        spent_s += time.perf_counter() - began
    status = (
        "SELECT lineup, sum(verdict) FROM row "
        "JOIN (SELECT lineup AS l, max(at) AS a FROM row GROUP BY lineup) "
        "ON lineup = l AND at = a GROUP BY lineup"
    )
    series = (
        "SELECT at, value FROM row WHERE lineup = 0 AND subject = '52-F3' AND name = 'check.c0' ORDER BY at"
    )
    told = {
        f"rows/s up to {runs} runs": runs * FINDINGS / spent_s,
        "status ms": timed_ms(lambda: base.execute(status).fetchall(), 3),
        "trend of a number ms": timed_ms(lambda: base.execute(series).fetchall()),
    }
    base.close()
    told["bytes a row"] = Path(path).stat().st_size / (runs * FINDINGS)
    return told


def section(told: dict[str, dict[str, float]], command: str) -> str:
    """The section of RESULTS.md: a row a quantity, a column a form, and the budgets held against ours."""
    names = list(told)
    quantities = list(dict.fromkeys(what for one in told.values() for what in one))
    rows = [
        f"| {what} | " + " | ".join(_shown(told[name].get(what)) for name in names) + " |"
        for what in quantities
    ]
    own = told[names[0]]
    least = min(value for what, value in own.items() if what.startswith("rows/s"))
    slowest = max(value for what, value in own.items() if what.startswith("trend"))
    budgets = [
        ("findings a second, with their numbers, at any size", 300_000.0, least, least >= 300_000),
        ("status of all lineups, ms, at most", 5.0, own["status ms"], own["status ms"] <= 5),
        ("trend of one series over all its runs, ms, at most", 5.0, slowest, slowest <= 5),
    ]
    held = [
        f"| {what} | {limit:,.0f} | {value:,.2f} | {'yes' if holds else 'NO'} |"
        for what, limit, value, holds in budgets
    ]
    lines = [
        "<!-- bench.history begins -->",
        "",
        "## History of runs",
        "",
        f"Made by `{command}` on {sys.platform} {platform.machine()}, Python {platform.python_version()}.",
        "A row is a finding with its verdict and its number; rates count the time in `keep` alone (or in the",
        "peer's transaction).",
        "",
        "| quantity | " + " | ".join(names) + " |",
        "| --- |" + " --- |" * len(names),
        *rows,
        "",
        "| budget | limit | measured | holds |",
        "| --- | --- | --- | --- |",
        *held,
        "",
        "<!-- bench.history ends -->",
        "",
    ]
    return "\n".join(lines)


def _shown(value: float | None) -> str:
    return "" if value is None else f"{value:,.0f}" if value >= 100 else f"{value:.2f}"


def main() -> None:
    """Measure all forms, print the section and put it into the results."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--runs", type=int, default=10_000)
    options.add_argument("--lineups", type=int, default=27)
    options.add_argument("--peer-runs", type=int, default=2_000)
    options.add_argument("--postgres", default="")
    options.add_argument("--output", type=Path, default=Path(__file__).parent / "RESULTS.md")
    chosen = options.parse_args()
    told = {}
    with tempfile.TemporaryDirectory() as folder:
        told["ours, SQLite"] = ours(f"{folder}/ours.sqlite", chosen.runs, chosen.lineups)
        if chosen.postgres:
            told["ours, PostgreSQL"] = ours(chosen.postgres, chosen.runs, chosen.lineups)
        told["plain rows, SQLite"] = plain_rows(f"{folder}/plain.sqlite", chosen.peer_runs, chosen.lineups)
    sizes = f"--runs {chosen.runs} --lineups {chosen.lineups} --peer-runs {chosen.peer_runs}"
    command = f"python -m bench.history {sizes}"
    made = section(told, command)
    print(made)
    renew(chosen.output, made)


if __name__ == "__main__":
    main()
