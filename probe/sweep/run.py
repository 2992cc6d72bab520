"""One run of a sweep: the lineup's lock, an audit in a process of its own, what its end means.

The audit is a process so that its end, whatever it is, ends nothing else: a bug, a kill, a full disk. It is
stopped at the end of its budget as by Ctrl-C, so that its record is sealed as incomplete. What it recorded is
taken in (``starts``), also if it died: a record that was cut is a valid beginning.
"""

from __future__ import annotations

import logging
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from probe.collect.inputs import open_lineup
from probe.collect.lineup_lock import LineupBusy, at_the_gear, held_by_child, lineup_lock
from probe.history.digest import RunDigest
from probe.history.distil import distil_file
from probe.history.keep import Keeper, Kept
from probe.history.slot_book import SlotState
from probe.model.errors import InputError
from probe.model.fleet import Sweep
from probe.record.verify import verify
from probe.sweep.place import FleetPlace

LOG = logging.getLogger("buswitness.sweep")

GRACE_S = 30.0  # so long a stopped audit may take to seal its record
CUT_S = 10.0
DONE_CODES = (0, 1, 3)  # with a record that holds verdicts


class Outcome(NamedTuple):
    """What became of a run. digest, kept: None if no record came of it. exit_code: of the audit.

    waits: the history is away; what came of the run is kept here until it is back.
    """

    state: SlotState
    why: str = ""
    exit_code: int | None = None
    record: Path | None = None
    digest: RunDigest | None = None
    kept: Kept | None = None
    waits: bool = False


class Ran(NamedTuple):
    """How an audit ended. code: its exit code, None if it never began; ended: why it was stopped, or empty.

    busy: somebody else works on the lineup. words: the last trouble that it told.
    """

    code: int | None = None
    ended: str = ""
    words: str = ""
    busy: bool = False


def audit_to(place: FleetPlace, sweep: Sweep, file: Path, *, stop: Callable[[], bool]) -> Ran:
    """Audit the sweep's lineup into a record file, under the lineup's lock."""
    try:
        lineup, _ = open_lineup(place.path(sweep.map), [place.path(name) for name in sweep.profiles])
    except InputError as error:
        return Ran(words=f"the map cannot be used: {error.problems[0].what}")
    locks, named = place.folder / ".locks", (lineup.map.site, lineup.map.lineup)
    try:
        with (
            lineup_lock(locks, *named, f"sweep {sweep.name}") as dead,
            held_by_child(locks, *named) as handle,
        ):
            if dead is not None:
                LOG.warning(
                    "%s: a run of process %s (%s) had died; its lock was free",
                    sweep.name,
                    dead.pid,
                    dead.since,
                )
            with at_the_gear(lineup.map, f"sweep {sweep.name}"):
                pass  # somebody's run by hand is told of here; the audit itself holds the gear meanwhile
            return _audit(place, sweep, file, stop, handle)
    except LineupBusy as busy:
        holder = busy.holder
        by = f" by process {holder.pid} ({holder.work}, since {holder.since})" if holder else ""
        return Ran(words=f"the lineup is worked on{by}", busy=True)


def is_free(place: FleetPlace, sweep: Sweep) -> bool:
    """True if nobody works on the sweep's lineup, also no audit whose starter died."""
    try:
        lineup, _ = open_lineup(place.path(sweep.map), [place.path(name) for name in sweep.profiles])
    except InputError:
        return True
    locks, named = place.folder / ".locks", (lineup.map.site, lineup.map.lineup)
    try:
        with lineup_lock(locks, *named, "a look"), held_by_child(locks, *named) as handle:
            if handle is None:  # nothing is handed down here: the audit's own hold on the gear tells of it
                with at_the_gear(lineup.map, "a look"):
                    pass
            return True
    except LineupBusy:
        return False


def state_of(ran: Ran, *, has_record: bool) -> tuple[SlotState, str]:
    """What such an end means for the start, and why."""
    if ran.busy:
        return SlotState.SKIPPED, ran.words
    if not has_record:
        return SlotState.FAILED, ran.words or "the audit ended before it began a record"
    if ran.ended:
        return SlotState.STOPPED, ran.ended
    return (SlotState.DONE, "") if ran.code in DONE_CODES else (SlotState.FAILED, ran.words)


def lineup_named(place: FleetPlace, sweep: Sweep) -> tuple[str, str] | None:
    """Site and lineup that the sweep's map names; None if it cannot be read."""
    try:
        lineup, _ = open_lineup(place.path(sweep.map), [place.path(name) for name in sweep.profiles])
    except InputError:
        return None
    return lineup.map.site, lineup.map.lineup


def state_of_left(record: Path, died: str) -> tuple[SlotState, str]:
    """What became of a start whose process died, from what it recorded. died: why it counts as stopped."""
    if not record.exists():
        return SlotState.FAILED, "its process died before a record began"
    if verify(record).whole:  # the audit went on by itself and sealed its record
        return SlotState.DONE, ""
    return SlotState.STOPPED, died


def digest_of(file: Path, where: str) -> RunDigest:
    """What the history keeps of a record file. where: who ran it. Raises InputError, RecordError."""
    return distil_file(file, place=where)


def put_away(place: FleetPlace, file: Path, digest: RunDigest) -> Path:
    """Move the record of that digest to the kept ones; where it lies now."""
    return place.records().put(
        file, site=digest.site, lineup=digest.lineup, started_ns=digest.started_ns, code=digest.code
    )


def take_in(place: FleetPlace, keeper: Keeper, file: Path, *, where: str) -> tuple[Path, RunDigest, Kept]:
    """Put a record file into the store and the history; where it lies, its digest, what became of it.

    Raises InputError, RecordError if it cannot be read; then the file stays where it is.
    """
    digest = digest_of(file, where)
    kept = keeper.keep(digest)
    return put_away(place, file, digest), digest, kept


def _audit(place: FleetPlace, sweep: Sweep, file: Path, stop: Callable[[], bool], handle: int | None) -> Ran:
    """The audit, to its end. handle: of the lock; the audit holds it on, should this process die."""
    told = file.with_suffix(".log")
    with told.open("wb") as log:
        process = subprocess.Popen(
            command_of(place, sweep, file),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=log,
            cwd=place.folder,
            creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
            pass_fds=() if handle is None else (handle,),
        )
        try:
            ended = _wait(process, sweep.budget, stop)
        finally:
            if process.poll() is None:
                process.kill()
                process.wait()
    words = _last_words(told)
    told.unlink(missing_ok=True)
    return Ran(process.returncode, ended, words)


def command_of(place: FleetPlace, sweep: Sweep, file: Path) -> list[str]:
    """The audit of a sweep as a command line. It holds no secrets."""
    command = [
        sys.executable,
        "-m",
        "probe",
        "audit",
        str(place.path(sweep.map)),
        "--record",
        str(file),
        "--json",
    ]
    for option, values in (("--only", sweep.only), ("--skip", sweep.skip)):
        for value in values:
            command += [option, value]
    for name in sweep.profiles:
        command += ["--profiles", str(place.path(name))]
    if sweep.quick:
        command.append("--quick")
    if sweep.dwell:
        command += ["--dwell", f"{sweep.dwell:g}s"]
    return command


def _wait(process: subprocess.Popen[bytes], budget_s: float, stop: Callable[[], bool]) -> str:
    """Wait for the end; stop it when its time is over or ``stop`` says so, and say why."""
    end = time.monotonic() + budget_s
    while True:
        try:
            process.wait(timeout=0.5)
        except subprocess.TimeoutExpired:
            why = "stopped by the operator" if stop() else ""
            if not why and time.monotonic() >= end:
                why = f"its budget of {budget_s / 60:g} min was over"
            if not why:
                continue
        else:
            return ""
        _end(process)
        return why


def _end(process: subprocess.Popen[bytes]) -> None:
    """Ask it to seal its record and end, then again to be quick, then kill it."""
    gentle = getattr(signal, "CTRL_BREAK_EVENT", signal.SIGTERM)
    for patience_s in (GRACE_S, CUT_S):
        process.send_signal(gentle)
        try:
            process.wait(timeout=patience_s)
        except subprocess.TimeoutExpired:
            continue
        return
    process.kill()
    process.wait()


def _last_words(told: Path) -> str:
    """The first line of trouble that the audit told, or its last line."""
    try:
        lines = [line.strip() for line in told.read_text(encoding="utf-8", errors="replace").splitlines()]
    except OSError:
        return ""
    trouble = next((line for line in lines if ": error: " in line or line.startswith("what ")), "")
    return (trouble or next((line for line in reversed(lines) if line), ""))[:500]
