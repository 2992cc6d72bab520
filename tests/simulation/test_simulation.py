"""A few seeds of the simulation in every test run, and that a seed repeats exactly in any process.

Thousands: ``python -m tests.simulation --seeds 0:5000`` (docs/assurance.md says how many were run).
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def _run(*arguments: str, hash_seed: str = "0") -> str:
    done = subprocess.run(
        [sys.executable, "-m", "tests.simulation", *arguments], cwd=ROOT, capture_output=True, text=True,
        env=os.environ | {"PYTHONHASHSEED": hash_seed, "BUSWITNESS_TEST_WIRETAP": ""}, check=False,
        timeout=600,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_all_rules_hold_over_seeds() -> None:
    assert " 0 fail; " in _run("--seeds", "0:40")


def test_seeds_that_failed_once_hold() -> None:
    for seed in ("5363", "22056", "22691", "23272", "30097", "31361"):
        assert " 0 fail; " in _run("--seeds", seed)


def test_a_seed_is_the_same_run_in_every_process() -> None:
    told = [_run("--seeds", "18:26", "--show", hash_seed=seed).splitlines()[:-1] for seed in ("1", "2")]
    assert told[0] == told[1]
    assert len(told[0]) == 8
    assert all(len(line.rsplit(" ", 1)[-1]) == 64 for line in told[0])  # the run's digest


def test_every_rule_notices_its_own_break() -> None:
    told = _run("--sabotage", "all").splitlines()
    assert len(told) >= 14


def test_an_interrupted_hunt_goes_on_behind_its_book_and_its_total_is_that_of_both(tmp_path: Path) -> None:
    book = str(tmp_path / "book.jsonl")
    assert _run("--seeds", "0:25", "--book", book).splitlines()[-1].startswith("25 runs, 0 fail; ")
    whole = _run("--seeds", "0:30", "--book", book, "--show").splitlines()
    assert [line.partition(":")[0] for line in whole[:-1]] == [f"seed {n}" for n in range(25, 30)]
    assert whole[-1].startswith("30 runs, 0 fail; ")
