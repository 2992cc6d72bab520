"""The faces as they look, compared byte for byte with files in tests/golden.

After a change that is meant, make them anew and read the difference:
``BUSWITNESS_GOLDEN=write pytest tests/unit/present/test_golden.py``
"""

from __future__ import annotations

import io
import os
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace

import pytest
from rich.console import Console

from probe.collect.events import RunPlan
from probe.present.opening import opening
from probe.present.page import print_rows
from probe.present.picture import picture
from probe.present.progress import Progress
from probe.present.row import Row
from probe.present.signs import ASCII, FULL
from probe.present.summary import Closing, closing_rows, summary

FOLDER = Path(__file__).parents[2] / "golden"
CLOSING = Closing(
    record="MSB-1-20260302T101500Z.audit.jsonl",
    code="0f1e 2d3c 4b5a 6978 8796 a5b4",
    commands=("buswitness record show MSB-1-20260302T101500Z.audit.jsonl --tag 52-F3",),
)


def compare(name: str, rows: Sequence[Row], width: int) -> None:
    """The rows, printed on a console without colour, are the golden file; none is wider than asked."""
    out = io.StringIO()
    print_rows(Console(file=out, width=width, no_color=True, force_terminal=False, highlight=False), rows)
    text = "\n".join(line.rstrip() for line in out.getvalue().splitlines()) + "\n"
    assert max(map(len, text.splitlines())) <= width
    path = FOLDER / f"{name}.txt"
    if os.environ.get("BUSWITNESS_GOLDEN") == "write":
        path.write_text(text, encoding="utf-8", newline="\n")
    assert path.read_text(encoding="utf-8") == text


@pytest.mark.parametrize(
    ("width", "height", "devices"),
    [(80, 24, 4), (80, 24, 20), (80, 24, 25), (120, 40, 20), (60, 15, 20), (40, 12, 20), (20, 5, 20)],
)
def test_picture(plan: RunPlan, staged: SimpleNamespace, width: int, height: int, devices: int) -> None:
    progress = Progress()
    staged.tell(progress, plan, devices=devices)
    rows = picture(progress, 12.0, (width, height), FULL, stopping=devices == 25)
    assert len(rows) <= height
    compare(f"picture-{width}x{height}-{devices}", rows, width)


def test_picture_in_ascii(plan: RunPlan, staged: SimpleNamespace) -> None:
    progress = Progress()
    staged.tell(progress, plan, devices=20)
    rows = picture(progress, 12.0, (80, 24), ASCII, stopping=False)
    assert all(row.text.isascii() for row in rows)
    compare("picture-80x24-20-ascii", rows, 80)


@pytest.mark.parametrize("width", [40, 80, 120])
def test_summary(plan: RunPlan, staged: SimpleNamespace, width: int) -> None:
    compare(f"summary-{width}", summary(staged.result(plan), width, FULL), width)


def test_paths_and_commands_are_never_broken() -> None:
    texts = [row.text for row in closing_rows(CLOSING, 20)]
    assert texts[1] == f"Record   {CLOSING.record}"
    assert texts[3] == f"Next     {CLOSING.commands[0]}"


def test_summary_of_a_healthy_lineup(plan: RunPlan, staged: SimpleNamespace) -> None:
    compare("summary-healthy-80", summary(staged.result(plan, healthy=True), 80, FULL), 80)


def test_summary_of_an_interrupted_run(plan: RunPlan, staged: SimpleNamespace) -> None:
    result = staged.result(plan, healthy=True, why_incomplete="the run was stopped before it was done")
    compare("summary-interrupted-80", summary(result, 80, FULL), 80)


def test_opening(plan: RunPlan) -> None:
    rows = opening(
        plan,
        80,
        record="MSB-1-20260302T101500Z.audit.jsonl",
        ways=("eth0, 192.0.2.10, to 14 hosts",),
        cautions=("eth0 and wlan0 are both in the subnet of 192.0.2.21.",),
    )
    compare("opening-80", rows, 80)
