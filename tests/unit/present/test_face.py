"""Face: pictures and lines, and the run that goes on when showing fails."""

from __future__ import annotations

import io
from types import SimpleNamespace

import pytest
from rich.console import Console

from probe.collect.events import RunPlan
from probe.present.console import console
from probe.present.dashboard import Dashboard
from probe.present.face import Face
from probe.present.progress import Progress

ENTER, LEAVE = "\x1b[?1049h", "\x1b[?1049l"
HIDE, SHOW = "\x1b[?25l", "\x1b[?25h"


def terminal(width: int = 80, height: int = 24) -> tuple[Console, io.StringIO]:
    out = io.StringIO()
    return Console(file=out, width=width, height=height, force_terminal=True, color_system="standard"), out


def pipe() -> tuple[Console, io.StringIO]:
    out = io.StringIO()
    return Console(file=out, width=80), out


def test_lines_tell_each_device_once(plan: RunPlan, staged: SimpleNamespace) -> None:
    screen, out = pipe()
    face = Face(screen, live=False)
    staged.tell(face, plan, devices=12)
    for tag in plan.scope.tags[:12]:
        face.judged(tag, staged.findings_of(tag), final=True)
    face.run_finished(staged.result(plan))
    lines = out.getvalue().splitlines()
    assert lines[0] == "Auditing 25 devices."
    assert len(lines) == 13
    assert sum(line.startswith("✗ fail       52-F3 ") for line in lines) == 1


def test_lines_tell_progress_every_few_seconds(plan: RunPlan, staged: SimpleNamespace) -> None:
    screen, out = pipe()
    face = Face(screen, live=False)
    staged.tell(face, plan, devices=0)
    for quarter in range(4 * 31):
        face.tick(quarter / 4)
    told = [line for line in out.getvalue().splitlines() if "done after" in line]
    assert told[0] == "  0 of 25 done after 5 s, about 19 s left"
    assert told[-1].endswith("longer than planned; waiting for 52-M1, PM-M1")
    assert len(told) == 6


def test_picture_takes_and_gives_back_the_screen(plan: RunPlan, staged: SimpleNamespace) -> None:
    screen, out = terminal()
    face = Face(screen, live=True)
    staged.tell(face, plan, devices=3)
    face.tick(0.0)
    face.run_finished(staged.result(plan))
    face.close()
    text = out.getvalue()
    assert text.startswith(ENTER)
    assert text.index(HIDE) < text.index("Section 1") < text.index(LEAVE)
    assert text.rindex(SHOW) > text.rindex(HIDE)
    assert text.count(LEAVE) == 1


def test_an_unchanged_picture_writes_nothing(plan: RunPlan, staged: SimpleNamespace) -> None:
    screen, out = terminal()
    face = Face(screen, live=True)
    staged.tell(face, plan, devices=3)
    face.tick(0.0)
    before = len(out.getvalue())
    face.tick(0.25)
    assert len(out.getvalue()) == before


def test_one_change_writes_its_row_only(plan: RunPlan, staged: SimpleNamespace) -> None:
    screen, out = terminal()
    face = Face(screen, live=True)
    staged.tell(face, plan, devices=3)
    face.tick(0.0)
    before = len(out.getvalue())
    face.exchange(staged.exchange("52-M1", 77))
    face.tick(0.25)
    written = out.getvalue()[before:]
    assert "77 ms" in written
    assert "Reading only" not in written


def test_a_picture_that_fails_steps_down_to_lines(
    plan: RunPlan, staged: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(self: Dashboard, now_s: float) -> None:
        raise ValueError("drawn upside down")

    monkeypatch.setattr(Dashboard, "tick", broken)
    screen, out = terminal()
    face = Face(screen, live=True)
    staged.tell(face, plan, devices=1)
    face.tick(0.0)
    after = out.getvalue().split(LEAVE)[1]
    assert "The live picture failed (ValueError); the audit goes on." in after
    face.note("still here")
    assert "still here" in out.getvalue()


def test_a_closed_pipe_ends_the_lines_not_the_run(plan: RunPlan, staged: SimpleNamespace) -> None:
    class Closed(io.StringIO):
        def write(self, text: str) -> int:
            raise BrokenPipeError

    face = Face(console(Closed()), live=False)
    staged.tell(face, plan, devices=25)
    face.tick(60.0)
    assert face.progress.done == 25


def test_a_resized_terminal_is_drawn_anew(plan: RunPlan, staged: SimpleNamespace) -> None:
    screen, out = terminal()
    progress = Progress()
    dashboard = Dashboard(screen, progress)
    dashboard.open()
    staged.tell(progress, plan, devices=3)
    dashboard.tick(0.0)
    screen.size = (20, 5)  # type: ignore[assignment]
    before = len(out.getvalue())
    dashboard.tick(0.25)
    assert "3 of 25 done" in out.getvalue()[before:]
    dashboard.close()
