"""``capture take``: traffic recorded into pcapng files, their hashes kept in a record."""

from __future__ import annotations

import re
import signal
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from probe.cli.failure import Exit
from probe.model.errors import InputError, Problem

if TYPE_CHECKING:
    from probe.collect.capturing import CaptureTaker, Ended, Order
    from probe.model.capture_evidence import CaptureFile
    from probe.record.seal import Seal
    from probe.record.writer import RecordWriter
    from probe.wire.capture.taps import Tap
    from probe.wire.system_clock import SystemClock

TAKE_FORMAT = "buswitness-capture-take/1"
#: Where captures go unless -o says otherwise.
FOLDER = Path("captures")
_LIVE_S = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Taking:
    """What the user asked for. sizes in bytes, 0 for no limit; link_bps: 0 for not known."""

    interface: str
    output: Path | None = None
    seconds: float = 0
    total: int = 0
    each: int = 0
    keep: int = 0
    filter: str = ""
    map_file: Path | None = None
    profile_dirs: tuple[Path, ...] = ()
    ports: tuple[int, ...] = ()
    link_bps: int = 0
    operator: str = ""
    sign: bool = True
    live: bool = False
    as_json: bool = False


def take(wish: Taking) -> int:
    """Record until a limit or Ctrl-C; exit code. Raises InputError."""
    from probe.wire.capture.filtering import parse_filter
    from probe.wire.capture.taps import open_tap
    from probe.wire.ethernet import Refusal
    from probe.wire.system_clock import SystemClock

    wanted = parse_filter(wish.filter)
    site = _site(wish)
    interface = wish.interface or _only_interface()
    clock = SystemClock()
    order = _order(wish, interface, clock, wanted)
    tap = open_tap(interface, clock)
    if isinstance(tap, Refusal):
        raise InputError([_refused(interface, tap)])
    try:
        writer = _record(wish, order, site, clock)
    except InputError:
        tap.close()
        raise
    try:
        return _recorded(wish, order, site, (tap, clock, writer))
    except InputError:  # no file could be begun: then there is no record of it either
        tap.close()
        writer.close()
        writer.path.unlink(missing_ok=True)
        raise
    finally:
        writer.close()


def _recorded(wish: Taking, order: Order, site: Any, means: tuple[Tap, SystemClock, RecordWriter]) -> int:
    """Record from the tap into files and their record; exit code. Raises InputError if none can be begun."""
    from probe.collect.capturing import CaptureTaker
    from probe.present.console import say
    from probe.wire.adapters import interface_hardware, interface_now

    tap, clock, writer = means
    hashes: dict[Path, str] = {}

    def closed(file: CaptureFile) -> None:
        writer.keep(file)
        hashes[order.path.with_name(file.file)] = file.sha256

    taker = CaptureTaker(order, tap, clock, closed)
    hardware = interface_hardware(order.interface)
    say(f"Recording {order.interface} to {order.path}; Ctrl-C stops.", error=wish.as_json)
    ended = _run(taker, wish, site)
    complete = _is_complete(ended)
    seal = writer.seal(complete=complete, reason="" if complete else ended.value)
    code = _close(wish, order, _Done(taker=taker, ended=ended, seal=seal, record=writer.path, hashes=hashes))
    if now := interface_now(hardware, order.interface) if not complete else "":
        say(f"The adapter ({hardware}) is there again, as {now}.", error=wish.as_json)
    return code


@dataclass(frozen=True, slots=True, kw_only=True)
class _Done:
    """A capture that has ended. hashes: SHA-256 of each file, also of those that the ring let go."""

    taker: CaptureTaker
    ended: Ended
    seal: Seal
    record: Path
    hashes: dict[Path, str]

    @property
    def files(self) -> list[Path]:
        """The files that are there."""
        return [file for file in self.hashes if file.exists()]


# -- before -------------------------------------------------------------------------------------------------


def _order(wish: Taking, interface: str, clock: SystemClock, wanted: Any) -> Order:
    from probe.collect.capturing import Limits, Order

    if wish.keep and not wish.each:
        problem = Problem(
            file="--keep", what="a ring needs the size of its files", remedy="add --each, as --each 50M"
        )
        raise InputError([problem])
    limits = Limits(seconds=wish.seconds, total=wish.total, each=wish.each, keep=wish.keep)
    path = wish.output or _default_path(interface, clock.wall_ns())
    if path.suffix != ".pcapng":
        allowed = "a name that ends in .pcapng"
        raise InputError([Problem(file=str(path), what="captures are written as pcapng", allowed=allowed)])
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        what = f"the folder cannot be made: {error.strerror or error}"
        raise InputError([Problem(file=str(path.parent), what=what)]) from error
    return Order(
        interface=interface,
        path=path,
        limits=limits,
        filter=wish.filter,
        link_bps=wish.link_bps or _speed(interface),
        wanted=wanted,
    )


def _speed(interface: str) -> int:
    """Bits a second of the interface as the system tells it, 0 where it does not."""
    import psutil

    state = psutil.net_if_stats().get(interface)
    return state.speed * 1_000_000 if state is not None and state.speed > 0 else 0


def _default_path(interface: str, wall_ns: int) -> Path:
    stamp = datetime.fromtimestamp(wall_ns // 1_000_000_000, UTC).strftime("%Y%m%dT%H%M%SZ")
    name = re.sub(r"[^A-Za-z0-9._+-]+", "-", interface).strip("-.") or "capture"
    return FOLDER / f"{name[:60]}-{stamp}.pcapng"


def _only_interface() -> str:
    """The one wired interface that is up. Raises InputError if there are several or none."""
    import psutil

    states = psutil.net_if_stats()
    up = sorted(name for name, state in states.items() if state.isup and not name.lower().startswith("lo"))
    if len(up) == 1:
        return up[0]
    raise InputError(
        [
            Problem(
                file="INTERFACE",
                what="say which interface is to be recorded",
                allowed=", ".join(sorted(states)) or "this computer shows none",
                remedy="as in `buswitness capture take eth0`",
            )
        ]
    )


def _refused(interface: str, refusal: Any) -> Problem:
    return Problem(
        file=interface,
        what=f"nothing can be recorded: {refusal.why}",
        allowed="reading captures that others took (`capture read`) needs no rights",
        remedy=refusal.mend,
    )


def _site(wish: Taking) -> Any:
    """The map, for names and ports; None without one."""
    if wish.map_file is None:
        return None
    from probe.cli.failure import warn_problems
    from probe.collect.inputs import open_lineup

    lineup, warnings = open_lineup(wish.map_file, wish.profile_dirs)
    if not wish.as_json:
        warn_problems(warnings)
    return lineup.map


def _record(wish: Taking, order: Order, site: Any, clock: SystemClock) -> RecordWriter:
    """The record of the capture, begun beside its file."""
    import platform
    import socket

    import probe
    from probe.cli.key_commands import signer_of_this_computer
    from probe.collect.preflight import own_adapters
    from probe.model.evidence import Anchor
    from probe.model.scope import Scope
    from probe.record.header import NOT_STATED, Header, Instrument
    from probe.record.own_code import own_code
    from probe.record.writer import RecordWriter

    header = Header(
        tool_version=probe.__version__,
        tool_code=own_code(),
        site=site.site if site is not None else NOT_STATED,
        lineup=site.lineup if site is not None else NOT_STATED,
        map_texts=(),
        profile_texts=(),
        scope=Scope(tags=()),
        started_wall_ns=clock.wall_ns(),
        instrument=Instrument(
            host_name=socket.gethostname(),
            system=platform.platform(),
            python=platform.python_version(),
            addresses=tuple(str(adapter) for adapter in own_adapters()),
        ),
        operator=wish.operator,
        command=tuple(sys.argv[1:]),
    )
    path = order.path.with_name(f"{order.path.stem}.audit.jsonl")
    writer = RecordWriter.create(path, header, signer=signer_of_this_computer(wanted=wish.sign))
    writer.keep(Anchor(clock.now_ns(), clock.wall_ns()))
    return writer


# -- while it goes ------------------------------------------------------------------------------------------


def _run(taker: CaptureTaker, wish: Taking, site: Any) -> Ended:
    """Record, showing what the user asked to see; Ctrl-C ends it in good order."""
    before = signal.getsignal(signal.SIGINT)
    face = _Face(taker, wish, site)

    def stop(*_: object) -> None:
        taker.stop()
        face.stopping()
        signal.signal(signal.SIGINT, before)  # the second one cuts off

    signal.signal(signal.SIGINT, stop)
    try:
        face.open()
        return taker.run(face.turn)
    finally:
        signal.signal(signal.SIGINT, before)
        face.close()


class _Face:
    """Shows a capture while it goes: the live picture, or a line now and then; may fail without harm."""

    def __init__(self, taker: CaptureTaker, wish: Taking, site: Any) -> None:
        self._taker, self._wish, self._site = taker, wish, site
        self._reader: Any = None
        self._picture: Any = None
        self._progress: Any = None
        self._next_s = 0.0
        self._clock = _clock()

    def open(self) -> None:
        """Begin to show, where somebody looks."""
        from probe.present.console import console, is_live, say

        stream = sys.stderr if self._wish.as_json else sys.stdout
        if not self._wish.live:
            return
        if not is_live(stream):
            say("--live needs a terminal; the figures come at the end.", error=True)
            return
        from probe.present.capture_live import CaptureProgress, live_picture
        from probe.present.dashboard import Dashboard
        from probe.wire.capture.reading import Reader

        self._reader = Reader(_ports(self._wish, self._site))
        self._taker.watch(self._reader.write)
        self._progress = CaptureProgress(self._taker.interface, self._wish.link_bps)
        self._picture = Dashboard(console(stream), self._progress, live_picture)
        self._picture.open()

    def turn(self) -> None:
        """Redraw about once a second."""
        now_s = self._clock()
        if self._picture is None or now_s < self._next_s:
            return
        self._next_s = now_s + _LIVE_S
        try:
            self._draw(now_s)
        except Exception:  # noqa: BLE001 (what is shown must not end the capture)
            self.close()

    def _draw(self, now_s: float) -> None:
        from probe.judge.capture.check import CaptureView, judge_capture
        from probe.judge.registry import CAPTURE_CHECKS

        counts = self._taker.counts
        figures = self._reader.figures(self._taker.interface, counts.size)
        view = CaptureView(figures, self._site, self._wish.link_bps)
        self._progress.figures = figures
        self._progress.said = judge_capture(CAPTURE_CHECKS, view)
        lost = f", {counts.dropped:,} lost" if counts.dropped else ""
        self._progress.state = f"{counts.packets:,} packets, {counts.size / 1e6:.1f} MB{lost}"
        self._picture.tick(now_s)

    def stopping(self) -> None:
        """Say that the wish to stop was understood."""
        if self._picture is not None:
            self._picture.stop_asked()

    def close(self) -> None:
        """Give the terminal back; may be called again."""
        picture, self._picture = self._picture, None
        if picture is not None:
            picture.close()


def _clock() -> Callable[[], float]:
    from probe.wire.system_clock import SystemClock

    clock = SystemClock()
    return lambda: clock.now_ns() / 1e9


def _ports(wish: Taking, site: Any) -> tuple[int, ...]:
    from probe.cli.capture_read_command import Reading, modbus_ports

    return modbus_ports(Reading(ports=wish.ports), site)


# -- after --------------------------------------------------------------------------------------------------


def _is_complete(ended: Ended) -> bool:
    """False where the capture ended before anybody wanted it to."""
    from probe.collect.capturing import Ended as Why

    return ended not in (Why.LOST, Why.FULL)


def _close(wish: Taking, order: Order, done: _Done) -> int:
    """Tell what was recorded; exit code."""
    from probe.present.console import emit_json, say
    from probe.record.seal import spoken

    code = Exit.DONE if _is_complete(done.ended) else Exit.INCOMPLETE
    counts = done.taker.counts
    detail = f" ({done.taker.detail})" if done.taker.detail else ""
    lost = f"; {counts.dropped:,} frames came too fast and are lost" if counts.dropped else ""
    files = f" in {counts.files} files" if counts.files > 1 else ""
    people = wish.as_json
    say(f"{counts.packets:,} packets, {counts.size:,} bytes{files}{lost}.", error=people)
    say(f"Ended: {done.ended.value}{detail}. What was recorded until then is whole.", error=people)
    say(f"Record: {done.record} (code {spoken(done.seal.code)})", error=people)
    say(f"Read it: buswitness capture read {done.files[-1]}", error=people)
    if wish.as_json:
        emit_json(_document(order, done, code))
    return code


def _document(order: Order, done: _Done, code: int) -> dict[str, Any]:
    counts = done.taker.counts
    return {
        "format": TAKE_FORMAT,
        "interface": order.interface,
        "filter": order.filter,
        "packets": counts.packets,
        "left_out_by_filter": counts.left_out,
        "dropped": counts.dropped,
        "bytes": counts.size,
        "files": [str(file) for file in done.files],
        "sha256": {file.name: sha256 for file, sha256 in done.hashes.items()},
        "ended": done.ended.value,
        "complete": _is_complete(done.ended),
        "record": {"path": str(done.record), "code": done.seal.code},
        "exit_code": int(code),
    }
