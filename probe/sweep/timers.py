"""Timers: ready files for the time services of Linux and Windows that run what is due.

Each calls ``sweep run FLEET --due`` every few minutes; when a sweep starts is decided by the fleet file
alone, so that time tables, quiet hours and catching up are the same everywhere. Nothing here is installed.
Source: systemd.timer(5), crontab(5); Task Scheduler schema 1.2 (from memory).
"""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple
from xml.sax.saxutils import escape

EVERY_MIN = 5


class TimerFile(NamedTuple):
    """One file. where: to put it; use: the command that makes it work."""

    name: str
    where: str
    use: str
    text: str


def systemd(command: Sequence[str], folder: Path, name: str) -> tuple[TimerFile, ...]:
    """A service and its timer, for a user's own systemd."""
    unit = f"buswitness-{name}"
    line = " ".join(_systemd_word(word) for word in command)
    service = (
        f"[Unit]\nDescription=Sweeps of {name}\nAfter=network-online.target\n\n"
        f"[Service]\nType=oneshot\nWorkingDirectory={_systemd_word(str(folder))}\nExecStart={line}\n"
        "SuccessExitStatus=1 3\nNice=5\n"
    )
    timer = (
        f"[Unit]\nDescription=Looks every {EVERY_MIN} minutes which sweeps of {name} are due\n\n"
        f"[Timer]\nOnCalendar=*:0/{EVERY_MIN}\nPersistent=true\n\n[Install]\nWantedBy=timers.target\n"
    )
    where = "~/.config/systemd/user/"
    use = f"systemctl --user enable --now {unit}.timer; loginctl enable-linger"
    return (
        TimerFile(f"{unit}.service", where, "", service),
        TimerFile(f"{unit}.timer", where, use, timer),
    )


def cron(command: Sequence[str], folder: Path, name: str) -> tuple[TimerFile, ...]:
    """One line of a crontab."""
    line = " ".join(shlex.quote(word).replace("%", "\\%") for word in command)
    text = (
        f"# sweeps of {name}: looks every {EVERY_MIN} minutes which are due\n"
        f"*/{EVERY_MIN} * * * * cd {shlex.quote(str(folder))} && {line} >>sweeps.log 2>&1\n"
    )
    return (TimerFile(f"{name}.cron", "crontab -e", "paste the lines", text),)


def windows(command: Sequence[str], folder: Path, name: str) -> tuple[TimerFile, ...]:
    """A task for the Task Scheduler, as XML."""
    program, *words = command
    arguments = " ".join(f'"{word}"' if " " in word else word for word in words)
    text = f"""<?xml version="1.0" encoding="UTF-16"?>
<Task version="1.2" xmlns="http://schemas.microsoft.com/windows/2004/02/mit/task">
  <RegistrationInfo><Description>{escape(f"Sweeps of {name}")}</Description></RegistrationInfo>
  <Triggers>
    <TimeTrigger>
      <StartBoundary>2026-01-01T00:00:00</StartBoundary>
      <Repetition><Interval>PT{EVERY_MIN}M</Interval></Repetition>
    </TimeTrigger>
  </Triggers>
  <Settings>
    <MultipleInstancesPolicy>IgnoreNew</MultipleInstancesPolicy>
    <StartWhenAvailable>true</StartWhenAvailable>
    <DisallowStartIfOnBatteries>false</DisallowStartIfOnBatteries>
    <StopIfGoingOnBatteries>false</StopIfGoingOnBatteries>
    <ExecutionTimeLimit>PT0S</ExecutionTimeLimit>
  </Settings>
  <Actions>
    <Exec>
      <Command>{escape(program)}</Command>
      <Arguments>{escape(arguments)}</Arguments>
      <WorkingDirectory>{escape(str(folder))}</WorkingDirectory>
    </Exec>
  </Actions>
</Task>
"""
    use = f'schtasks /Create /TN "{name}" /XML {name}.xml'
    return (TimerFile(f"{name}.xml", "any folder; save as UTF-16", use, text),)


FORMS = {"systemd": systemd, "cron": cron, "windows": windows}


def _systemd_word(word: str) -> str:
    """A word as systemd reads it: quoted where it needs it, ``%`` and ``$`` doubled."""
    word = word.replace("%", "%%").replace("$", "$$").replace("\\", "\\\\")
    return '"' + word.replace('"', '\\"') + '"' if " " in word or '"' in word else word
