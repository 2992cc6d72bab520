"""What happens before a device is touched: ways, cautions, plan and record file."""

from __future__ import annotations

import platform
import re
import socket
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import probe
from probe.cli import failure
from probe.collect.events import RunPlan
from probe.collect.preflight import Preflight, judge_ways, own_adapters, preflight
from probe.model.errors import InputError
from probe.model.lineup import Lineup
from probe.model.scope import Scope

if TYPE_CHECKING:
    from probe.record.header import Header, Source
    from probe.record.signing import Signer
    from probe.record.writer import RecordWriter
    from probe.wire.system_clock import SystemClock


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """All that a run needs. as_json: people's text goes to stderr. practice: the gear is simulated."""

    plan: RunPlan
    path: Path
    writer: RecordWriter
    clock: SystemClock
    as_json: bool
    practice: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """How the user wants a run kept and told. sign: with the key of this computer, if there is one.

    source: the older record that the new one names. as_json, practice: as in ``Start``.
    """

    operator: str = ""
    sign: bool = True
    source: Source | None = None
    as_json: bool = False
    practice: bool = False


def make_ready(lineup: Lineup, scope: Scope, record_path: Path | None, wishes: Wishes) -> Start:
    """The run made ready and told: plan, ways and cautions shown, the record begun.

    Raises InputError if no device can be reached from this computer or the record cannot be made.
    """
    from probe.cli.key_commands import signer_of_this_computer
    from probe.collect.agent import prepare
    from probe.record.writer import RecordWriter
    from probe.wire.system_clock import SystemClock

    ways = judge_ways((), own_adapters()) if wishes.practice else preflight(lineup.map, scope.tags)
    if ways.stops and scope.survey is None:  # why there is no way is what a survey is for
        raise InputError(ways.stops)
    plan = prepare(lineup, scope)
    signer = signer_of_this_computer(wanted=wishes.sign)
    clock = SystemClock()
    path = record_path or default_record_path(lineup.map.lineup, clock.wall_ns())
    header = header_for(lineup, scope, wishes, ways, clock.wall_ns())
    writer = RecordWriter.create(path, header, signer=signer)
    (_tell if scope.survey is None else _tell_survey)(plan, path, ways, wishes, signer)
    return Start(
        plan=plan,
        path=path,
        writer=writer,
        clock=clock,
        as_json=wishes.as_json,
        practice=wishes.practice,
    )


def default_record_path(lineup_name: str, wall_ns: int) -> Path:
    """``<lineup>-<UTC stamp>.audit.jsonl`` in the current folder, the name fit for any file system."""
    stamp = datetime.fromtimestamp(wall_ns // 1_000_000_000, UTC).strftime("%Y%m%dT%H%M%SZ")
    name = re.sub(r"[^A-Za-z0-9._+-]+", "-", lineup_name).strip("-.") or "lineup"
    return Path(f"{name[:80]}-{stamp}.audit.jsonl")


def header_for(lineup: Lineup, scope: Scope, wishes: Wishes, ways: Preflight, wall_ns: int) -> Header:
    """The head of a new record: what is to be tested, with what, by whom, from when."""
    from probe.record.header import Header, Instrument
    from probe.record.own_code import own_code

    instrument = Instrument(
        host_name=socket.gethostname(),
        system=platform.platform(),
        python=platform.python_version(),
        addresses=(*(str(adapter) for adapter in ways.adapters), *_serial_adapters(lineup, scope)),
        clock=_clock_state(),
    )
    return Header.of(
        lineup,
        scope,
        tool_version=probe.__version__,
        tool_code=own_code(),
        started_wall_ns=wall_ns,
        instrument=instrument,
        operator=wishes.operator,
        command=tuple(sys.argv[1:]),
        sources=() if wishes.source is None else (wishes.source,),
    )


def _serial_adapters(lineup: Lineup, scope: Scope) -> tuple[str, ...]:
    """The serial adapters of the run, each ``/dev/ttyUSB0 USB 0403:6001 A10KX3``; those that can be told."""
    from probe.wire.adapters import serial_hardware

    lines = (lineup.map.target(tag).serial for tag in scope.tags)
    ports = dict.fromkeys(line.port for line in lines if line is not None)
    return tuple(f"{port} {told}" for port in ports if (told := serial_hardware(port)))


def _clock_state() -> str:
    """What the system says of its own clock, for the record."""
    from probe.record.header import NOT_STATED
    from probe.wire.sync_state import sync_state

    state = sync_state()
    if not state.known:
        return NOT_STATED
    return "synchronised" if state.synchronised else "not synchronised"


def _tell_survey(plan: RunPlan, path: Path, ways: Preflight, wishes: Wishes, signer: Signer | None) -> None:
    """Print what a survey intends, before it starts."""
    from probe.cli.key_commands import signature_words
    from probe.present.console import console
    from probe.present.survey_page import show_opening

    people = console(sys.stderr if wishes.as_json else sys.stdout)
    try:
        show_opening(people, plan, record=str(path), signature=signature_words(signer, wanted=wishes.sign))
    except BrokenPipeError:
        failure.silence_stdout()


def _tell(plan: RunPlan, path: Path, ways: Preflight, wishes: Wishes, signer: Signer | None) -> None:
    """Print what the run intends, before it starts."""
    from probe.cli.key_commands import signature_words
    from probe.present.console import console
    from probe.present.opening import show

    people = console(sys.stderr if wishes.as_json else sys.stdout)
    signature = signature_words(signer, wanted=wishes.sign)
    try:
        show(
            people,
            plan,
            record=str(path),
            signature=signature,
            ways=ways.lines,
            cautions=ways.cautions,
            practice=wishes.practice,
        )
    except BrokenPipeError:  # nobody reads; the record is what counts, so the run goes on
        failure.silence_stdout()
