"""Simulated audits: ``python -m tests.simulation --seeds 0:5000``; a seed that fails repeats exactly.

--seeds 0:5000    first, and the one after the last; or one number
--twice           each seed twice, and compare to the byte
--show            what was drawn and what happened, a line a seed
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from tests.simulation.drawing import Case, draw
from tests.simulation.invariants import violations
from tests.simulation.run import Ran, carry_out
from tests.simulation.sabotage import SABOTAGE, broken

#: Where records are written: in memory, if there is such a folder, for a slow disk has no part in this.
MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None


def say(text: str) -> None:
    """One line, at once."""
    sys.stdout.write(text.rstrip("\n") + "\n")
    sys.stdout.flush()


def main(arguments: list[str]) -> int:
    """0 if everything held in every run (with sabotage: if every break was noticed), 1 if not."""
    parser = argparse.ArgumentParser(prog="python -m tests.simulation", description=__doc__)
    parser.add_argument("--seeds", default="0:100", help="FIRST:END, or one seed")
    parser.add_argument("--twice", action="store_true", help="run each seed twice and compare to the byte")
    parser.add_argument("--show", action="store_true", help="a line a seed")
    parser.add_argument("--most", type=int, default=10, help="stop after so many seeds that fail")
    parser.add_argument("--sabotage", choices=("all", *SABOTAGE), help="break the tool and see it noticed")
    options = parser.parse_args(arguments)
    if options.sabotage:
        return sabotaged(list(SABOTAGE) if options.sabotage == "all" else [options.sabotage])
    first, _, end = options.seeds.partition(":")
    seeds = range(int(first), int(end) if end else int(first) + 1)
    return hunt(seeds, twice=options.twice, show=options.show, most=options.most)


def hunt(seeds: Sequence[int], *, twice: bool, show: bool, most: int) -> int:
    """Run the seeds and tell which fail."""
    began, failed, done, sums = time.monotonic(), 0, 0, Counter[str]()
    for seed in seeds:
        wrong, told = attempt(seed, sums, twice=twice)
        done += 1
        if show:
            say(told)
        if wrong:
            failed += 1
            say(f"seed {seed} FAILS; repeat it: python -m tests.simulation --seeds {seed} --show")
            say("".join(f"  {text}\n" for text in wrong[:12]))
        if failed >= most:
            break
    say(
        f"{done} runs, {failed} fail; {sums['requests']} requests, {sums['virtual s']} virtual seconds, "
        f"{sums['writes']} writes on the wire, functions {_functions(sums)}; {time.monotonic() - began:.0f} s"
    )
    return 1 if failed else 0


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


def attempt(seed: int, sums: Counter[str], *, twice: bool = False) -> tuple[list[str], str]:
    """What does not hold for a seed, and a line about the run."""
    with tempfile.TemporaryDirectory(dir=MEMORY) as name:
        try:
            ran = carry_out(draw(seed), Path(name))
            wrong = violations(ran)
            ran.code = ran.digest() if ran.record.exists() else ""
        except Exception:  # noqa: BLE001 - a defect anywhere is what is looked for
            return [traceback.format_exc()], f"seed {seed}"
        if twice and ran.record.exists():
            ran.record.unlink()
            if carry_out(draw(seed), Path(name)).digest() != ran.code:
                wrong.append("does not repeat exactly")
        _count(sums, ran)
        return wrong, _line(ran)


def _count(sums: Counter[str], ran: Ran) -> None:
    sums["requests"] += len(ran.tap.sent)
    sums["virtual s"] += round(ran.seconds)
    for function, many in ran.tap.functions.items():
        sums[f"function {function}"] += many
        sums["writes"] += many if function not in (1, 2, 3, 4, 0x2B) else 0


def _functions(sums: Counter[str]) -> str:
    counted = {int(name.split()[1]): many for name, many in sums.items() if name.startswith("function")}
    return ", ".join(f"{function:02X}: {many}" for function, many in sorted(counted.items()))


def _line(ran: Ran) -> str:
    case, result = ran.case, ran.result
    why = "cancelled" if result is None else result.why_incomplete.partition(":")[0] or "complete"
    many = len(ran.tap.sent)
    return f"seed {case.seed}: {_drawn(case)}; {many} requests, {ran.seconds:.1f} s, {why}; {ran.code}"


def _drawn(case: Case) -> str:
    kinds = Counter("serial" if s.serial else "rtu" if s.rtu else "tcp" for s in case.seats)
    scope = "quick" if case.scope.quick else "clocks" if case.scope.clocks_only else "full"
    upset = [name for name in ("stop_s", "cancel_s") if getattr(case, name) >= 0]
    upset += [name for name in ("stalls", "steps", "ledger") if getattr(case, name)]
    return f"{len(case.scope.tags)} devices, {dict(kinds)}, {scope} {' '.join(upset)}"


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
