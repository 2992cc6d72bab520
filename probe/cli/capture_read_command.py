"""``capture read``: the figures of a capture file or of a folder of them, and what is wrong."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from probe.cli.failure import Exit
from probe.model.capture import CaptureFigures, Ending
from probe.model.errors import InputError, Problem
from probe.model.finding import Finding, Verdict

#: Where Modbus is spoken unless the map or --port says otherwise.
MODBUS_PORT = 502


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """How to read: the map to judge by, ports of Modbus beside 502, speed of the link (0: not known)."""

    map_file: Path | None = None
    profile_dirs: tuple[Path, ...] = ()
    ports: tuple[int, ...] = ()
    link_bps: int = 0
    plot: Path | None = None
    workers: int = 0
    as_json: bool = False


def read(path: Path, how: Reading) -> int:
    """Read the capture or the folder; exit code. Raises InputError."""
    from probe.collect.captures import CaptureReaders, capture_files

    site = _site(how)
    paths = capture_files(path)
    if how.plot is not None and len(paths) > 1:
        raise InputError(
            [Problem(file="--plot", what="a picture is made of one capture, and this is a folder")]
        )
    ports = modbus_ports(how, site)
    teller = _Teller(len(paths), how)
    readers = CaptureReaders(ports, teller.progress, how.workers)
    outcomes: dict[Path, _Outcome] = {}
    try:
        for done, result in readers.read(paths):
            outcome = _outcome(done, result, site, how)
            outcomes[done] = outcome
            teller.done(outcome)
    except KeyboardInterrupt:
        readers.stop()
        teller.say("Stopped; what had been read is shown.")
        return _end(path, [outcomes[one] for one in paths if one in outcomes], how, stopped=True)
    return _end(path, [outcomes[one] for one in paths], how, stopped=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Outcome:
    """What became of one file: a view with its findings, or problems."""

    path: Path
    view: Any = None  # CaptureView; imported only where it is made
    findings: tuple[Finding, ...] = ()
    problems: tuple[Problem, ...] = ()

    @property
    def code(self) -> Exit:
        if self.problems:
            return Exit.INPUT_WRONG
        if any(one.verdict is Verdict.FAIL for one in self.findings):
            return Exit.FINDINGS_FAIL
        figures: CaptureFigures = self.view.figures
        return Exit.DONE if figures.ending is Ending.WHOLE else Exit.INCOMPLETE


def _outcome(path: Path, result: Any, site: Any, how: Reading) -> _Outcome:
    from probe.judge.capture.check import CaptureView, judge_capture
    from probe.judge.registry import CAPTURE_CHECKS

    if isinstance(result, tuple):
        return _Outcome(path=path, problems=result)
    view = CaptureView(result, site, how.link_bps, _kept(path))
    return _Outcome(path=path, view=view, findings=judge_capture(CAPTURE_CHECKS, view))


def _kept(path: Path) -> Any:
    """What a record beside the capture says of it; nothing where there is none, or none that can be read."""
    from probe.collect.capture_keeping import found_hash, noted_hash, record_beside
    from probe.judge.capture.check import NOT_KEPT, Kept
    from probe.model.capture_evidence import CaptureFile
    from probe.model.errors import RecordError
    from probe.record.content import load

    record = record_beside(path)
    if record is None:
        return NOT_KEPT

    def files() -> tuple[CaptureFile, ...]:
        return tuple(one for _, one in load(record).evidence.get(CaptureFile, ()))

    try:
        noted = noted_hash(path, files)
        return Kept(record.name, noted, found_hash(path)) if noted else NOT_KEPT
    except (RecordError, OSError):
        return NOT_KEPT


class _Teller:
    """Tells people how far it is: on stderr, and only where somebody looks."""

    def __init__(self, files: int, how: Reading) -> None:
        self._files, self._how, self._done = files, how, 0
        self._looking = sys.stderr.isatty()

    def progress(self, path: Path, done: int) -> None:
        if self._looking:
            sys.stderr.write(f"\r{path.name}: {done >> 20} MiB read ")
            sys.stderr.flush()

    def done(self, outcome: _Outcome) -> None:
        self._done += 1
        if self._looking:
            sys.stderr.write("\r\033[K")
        if self._files > 1 and not self._how.as_json:
            from probe.present.console import say

            words = "cannot be read" if outcome.problems else f"{outcome.view.figures.packets:,} packets"
            say(f"{self._done} of {self._files}: {outcome.path}: {words}", error=True)

    @staticmethod
    def say(text: str) -> None:
        from probe.present.console import say

        say(text, error=True)


def _end(path: Path, outcomes: Sequence[_Outcome], how: Reading, *, stopped: bool) -> int:
    from probe.present.console import say

    codes = [outcome.code for outcome in outcomes]
    code = _joint(codes)
    if stopped:
        code = Exit.INCOMPLETE
    if len(outcomes) == 1 and outcomes[0].problems and not path.is_dir():
        raise InputError(outcomes[0].problems)
    if how.as_json:
        _emit(path, outcomes, code)
    else:
        _show(outcomes)
    for outcome in outcomes:
        for problem in outcome.problems:
            say(str(problem), error=True)
    if how.plot is not None and outcomes:
        _plot(how.plot, outcomes[0])
    return code


def _joint(codes: Sequence[Exit]) -> Exit:
    """One code for all files: wrong input first, then findings, then what is incomplete."""
    for code in (Exit.INPUT_WRONG, Exit.FINDINGS_FAIL, Exit.INCOMPLETE):
        if code in codes:
            return code
    return Exit.DONE


def _show(outcomes: Sequence[_Outcome]) -> None:
    from probe.present.capture_page import show_capture
    from probe.present.console import console

    people = console()
    for number, outcome in enumerate(one for one in outcomes if one.view is not None):
        if number:
            people.print()
        show_capture(people, outcome.view, outcome.findings)


def _emit(path: Path, outcomes: Sequence[_Outcome], code: Exit) -> None:
    from probe.present import capture_machine as machine
    from probe.present.console import emit_json

    documents = [
        machine.no_capture(str(one.path))
        if one.problems
        else machine.capture_document(one.view, one.findings, one.code)
        for one in outcomes
    ]
    if path.is_dir():
        emit_json(machine.folder_document(str(path), documents, code))
    elif documents:
        emit_json(documents[0])


def _plot(path: Path, outcome: _Outcome) -> None:
    from probe.cli.new_file import make_new
    from probe.present.capture_svg import capture_svg
    from probe.present.console import say

    text = capture_svg(outcome.view).encode()
    make_new(path, lambda file: file.write(text))
    say(f"Picture: {path}", error=True)


def _site(how: Reading) -> Any:
    """The map to judge by; None without one."""
    if how.map_file is None:
        return None
    from probe.cli.failure import warn_problems
    from probe.collect.inputs import open_lineup

    lineup, warnings = open_lineup(how.map_file, how.profile_dirs)
    if not how.as_json:
        warn_problems(warnings)
    return lineup.map


def modbus_ports(how: Reading, site: Any) -> tuple[int, ...]:
    """502, those of the map and those that were asked for."""
    ports = {MODBUS_PORT, *how.ports}
    if site is not None:
        ports |= {site.target(device.tag).port for device in site.devices if site.target(device.tag).host}
    return tuple(sorted(ports))
