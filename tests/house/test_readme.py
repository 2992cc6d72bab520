"""The README's promises: order of its parts, commands that exist, files that are there, start.py's forms."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]
TYPED = re.compile(r"^(?:python3 start\.py|py start\.py|buswitness) ([a-z][^\n`|#>]*)", re.MULTILINE)
OURS = ("test", "check", "setup")  # start.py's own words


def typed_commands() -> list[str]:
    """Every command of README and manual as far as its name goes: ``record verify``, ``audit``."""
    names = set()
    for page in PAGES:
        text = page.read_text("utf-8")
        blocks = re.findall(r"```[a-z]*\n(.*?)```", text, re.DOTALL)
        inline = re.findall(r"`((?:python3 start\.py|buswitness) [^`]+)`", text)
        for typed in TYPED.findall("\n".join([*blocks, *inline])):
            words = [word for word in typed.split() if re.fullmatch(r"[a-z]+", word)]
            groups = ("map", "profile", "record", "key", "desk", "capture", "sweep", "study")
            names.add(" ".join(words[: 2 if words[0] in groups else 1]))
    return sorted(name for name in names if name.split()[0] not in OURS)


@pytest.mark.parametrize("name", typed_commands())
def test_every_command_that_is_written_down_exists(name: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "probe", *name.split(), "--help"],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "Usage" in done.stdout


def test_job_then_cautions_then_commands_then_three_paths() -> None:
    text = (ROOT / "README.md").read_text("utf-8")
    marks = ["commissioning technician", "gear kills", "Two commands", "Three paths"]
    places = [text.index(mark) for mark in marks]
    assert places == sorted(places)
    assert "py start.py demo" in text, "the Windows form"
    assert "python3 start.py test" in text


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_links_lead_somewhere(page: Path) -> None:
    targets = re.findall(r"\]\(([^)#:]+?)(?:#[^)]*)?\)", page.read_text("utf-8"))
    missing = [target for target in targets if not (page.parent / target).exists()]
    assert not missing


def test_start_tells_itself_how_it_was_started() -> None:
    """Printed commands can be typed: start.py hands its own form down, and ``command`` uses it."""
    code = "from probe.cli.invocation import command; print(command('record', 'show', 'a b.jsonl'))"
    environment = dict(os.environ, BUSWITNESS_STARTED_AS="python3 start.py")
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, cwd=ROOT, check=True
    )
    assert done.stdout.startswith("python3 start.py record show ")
    assert "a b.jsonl" in done.stdout
