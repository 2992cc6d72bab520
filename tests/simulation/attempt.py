"""One seed tried: drawn, carried out, and held against every rule; with what is counted over many of them."""

from __future__ import annotations

import gc
import tempfile
import traceback
from collections import Counter
from pathlib import Path

from tests.simulation.drawing import Case, draw
from tests.simulation.frames import READS
from tests.simulation.invariants import violations
from tests.simulation.run import Ran, carry_out

#: Where records are written: in memory, if there is such a folder, for a slow disk has no part in this.
MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None


def attempt(seed: int, sums: Counter[str], *, twice: bool = False) -> tuple[list[str], str]:
    """What does not hold for a seed, and a line about the run. sums: is counted on."""
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


def settle() -> None:
    """Load what every seed needs, and have the garbage collector look at what comes later only.

    ``carry_out`` collects after each run: of what was thrown away with an error nobody asked for, the loop is
    told then and not by chance. Without this, a fifth of the time went into looking at profiles.
    """
    for seed in range(-24, 0):
        attempt(seed, Counter())
    gc.collect()
    gc.freeze()
    gc.disable()


def _count(sums: Counter[str], ran: Ran) -> None:
    sums["requests"] += len(ran.tap.sent)
    sums["virtual s"] += round(ran.seconds)
    sums["devices"] += len(ran.case.scope.tags)
    sums[f"temper {ran.case.temper}"] += 1
    for function, many in ran.tap.functions.items():
        sums[f"function {function:02X}"] += many
        sums["writes"] += many if function not in READS else 0


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
