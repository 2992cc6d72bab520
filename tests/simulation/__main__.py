"""Simulated audits: ``python -m tests.simulation --seeds 0:5000``; a seed that fails repeats exactly.

--seeds 0:5000    first, and the one after the last; or one number
--book FILE       keep what was done, and go on behind it; the total is that of the whole book
--jobs 2          so many processes
--twice           each seed twice, and compare to the byte
--show            what was drawn and what happened, a line a seed
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from pathlib import Path

from tests.simulation.attempt import attempt
from tests.simulation.hunt import Book, hunt, processors, say
from tests.simulation.sabotage import SABOTAGE, broken


def main(arguments: list[str]) -> int:
    """0 if everything held in every run (with sabotage: if every break was noticed), 1 if not."""
    parser = argparse.ArgumentParser(prog="python -m tests.simulation", description=__doc__)
    parser.add_argument("--seeds", default="0:100", help="FIRST:END, or one seed")
    parser.add_argument("--twice", action="store_true", help="run each seed twice and compare to the byte")
    parser.add_argument("--show", action="store_true", help="a line a seed")
    parser.add_argument("--most", type=int, default=10, help="stop after so many seeds that fail")
    parser.add_argument("--jobs", type=int, default=processors(), help="so many processes")
    parser.add_argument("--book", type=Path, help="keep what was done here, and go on behind it")
    parser.add_argument("--sabotage", choices=("all", *SABOTAGE), help="break the tool and see it noticed")
    options = parser.parse_args(arguments)
    if options.sabotage:
        return sabotaged(list(SABOTAGE) if options.sabotage == "all" else [options.sabotage])
    first, _, end = options.seeds.partition(":")
    seeds = range(int(first), int(end) if end else int(first) + 1)
    return hunt(
        seeds, twice=options.twice, show=options.show, most=options.most, jobs=min(options.jobs, len(seeds)),
        book=Book(options.book),
    )  # fmt: skip


def sabotaged(names: list[str]) -> int:
    """Break the tool in each of these places; 1 if one of the breaks goes unnoticed."""
    missed = 0
    for name in names:
        with broken(name) as one:
            wrong, _ = attempt(one.seed, Counter())
        seen = next((text for text in wrong if one.says in text), "")
        missed += not seen
        say(f"{name}: {seen or f'NOT NOTICED in seed {one.seed}; said: {wrong[:3]}'}")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
