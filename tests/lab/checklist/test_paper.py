"""``checklist make``, ``print``, ``enter`` with the real program: files, PDF, typed answers, messages."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

from probe.model.checklist import load_checklist
from probe.record.content import load

ROOT = Path(__file__).parents[3]
ENTER = (
    "checklist",
    "enter",
    "map.yaml",
    "field.yaml",
    "--by",
    "A. Tester",
    "--on",
    "2026-03-14",
    "--no-sign",
)


def run(site: Path, *arguments: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "probe", *arguments],
        cwd=site, input=typed, capture_output=True, text=True, check=False, timeout=120,
        env={"PATH": os.environ["PATH"], "PYTHONPATH": str(ROOT), "HOME": str(site), "PYTHONUTF8": "1"},
    )  # fmt: skip


def test_a_list_made_from_the_map_holds_what_common_practice_asks(site: Path) -> None:
    made = run(site, "checklist", "make", "map.yaml", "-o", "made.yaml")
    assert made.returncode == 0, made.stderr
    checklist, _ = load_checklist("made.yaml", (site / "made.yaml").read_bytes())
    asked = {line.id: line for line in checklist.lines}
    assert "50/125 or 62.5/125" in asked["glass@FO-1"].ask
    assert "BFOC/2.5" in asked["glass@FO-1"].ask
    assert "connected position both bus lamps" in asked["lamps-connected@52-M1"].ask
    assert "test position both bus lamps" in asked["lamps-test@52-M1"].ask
    assert "outside the arc flash boundary and within view" in asked["outside@RCE-1"].ask
    assert "comes from the lineup" in asked["power@RCE-1"].ask
    assert "24 V DC" in asked["output@PS-1"].ask
    assert {line.source for line in checklist.lines} == {"common practice, no source"}
    assert run(site, "checklist", "check", "map.yaml", "made.yaml").returncode == 0
    assert run(site, "checklist", "make", "map.yaml", "-o", "made.yaml").returncode == 2  # never over a file


def test_a_changed_list_that_does_not_fit_the_map_is_told_with_its_place(site: Path) -> None:
    text = (site / "field.yaml").read_text("utf-8").replace("at: CV-1", "at: CV-9")
    (site / "field.yaml").write_text(text, "utf-8")
    done = run(site, "checklist", "check", "map.yaml", "field.yaml")
    assert done.returncode == 2
    assert "field.yaml:10:" in done.stderr
    assert "where is the voltage of DC-1 measured?" in done.stderr
    assert "allowed  CV-1" in done.stderr


def test_the_printed_list_is_a_pdf_that_carries_the_list(site: Path) -> None:
    import pikepdf

    done = run(site, "checklist", "print", "map.yaml", "field.yaml", "-o", "list.pdf", "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["lines"] == 3
    with pikepdf.open(site / "list.pdf") as pdf:
        inside = {name: file.get_file().read_bytes() for name, file in pdf.attachments.items()}
    assert inside == {"field.yaml": (site / "field.yaml").read_bytes()}


def test_a_paper_is_typed_in(site: Path) -> None:
    answers = (
        "# from paper\n1 n no label\n2 24.1 +/- 0.2 V\n3 p IMG_1.jpg\nglass@FO-1 y\n3 r seen by day\nend\n"
    )
    done = run(site, *ENTER, "--signed", "--record", "a.audit.jsonl", "--json", typed=answers)
    assert done.returncode == 1, done.stderr
    told = json.loads(done.stdout)
    assert told["format"] == "buswitness-checklist-run/1"
    assert [line["said"] for line in told["lines"]] == ["no", "24.1 +/- 0.2 V", "yes"]
    assert told["lines"][2]["photographs"][0]["name"] == "IMG_1.jpg"
    content = load(site / "a.audit.jsonl")
    notes = [note.text for items in content.evidence.values() for _, note in items if hasattr(note, "topic")
             and note.topic == "paper"]  # fmt: skip
    assert notes == ["typed in from paper, filled in by A. Tester on 2026-03-14"]
    verdicts = {(f.check, f.point): f.verdict.value for f in content.findings}
    assert verdicts["checklist.measured", "volts@CV-1"] == "pass"
    assert verdicts["checklist.cautions", ""] == "pass"


def test_without_the_signature_the_cautions_are_for_review(site: Path) -> None:
    done = run(site, *ENTER, "--record", "a.audit.jsonl", typed="1 y\n2 24.1 V\n3 y\nend\n")
    assert done.returncode == 0, done.stderr
    verdicts = {f.check: f.verdict.value for f in load(site / "a.audit.jsonl").findings}
    assert verdicts["checklist.cautions"] == "review"


def test_lines_that_cannot_be_understood_are_told_all_at_once(site: Path) -> None:
    done = run(site, *ENTER, "--record", "a.audit.jsonl", typed="9 y\n1 perhaps\n2 24 bananas\n1 y\nend\n")
    assert done.returncode == 2
    assert "there is no such line" in done.stderr
    assert "this is no answer" in done.stderr
    assert "this is no value of the line" in done.stderr
    content = load(site / "a.audit.jsonl")
    assert {
        f.point for f in content.findings if f.verdict.value == "pass" and f.check == "checklist.seen"
    } == {"labels@1A"}


def test_an_input_that_ends_early_leaves_the_list_incomplete(site: Path) -> None:
    done = run(site, *ENTER, "--record", "a.audit.jsonl", typed="1 y\n")
    assert done.returncode == 3
    assert "the input ended without end" in done.stderr
    assert run(site, "record", "verify", "a.audit.jsonl").returncode in (0, 3)


def test_a_report_ties_a_photograph_to_its_line(site: Path) -> None:
    run(
        site,
        *ENTER,
        "--signed",
        "--record",
        "a.audit.jsonl",
        typed="1 y\n2 24.1 V\n3 p IMG_1.jpg\n3 y\nend\n",
    )
    (site / "project.yaml").write_text(
        "format: buswitness-project/1\nattachments:\n  - {file: IMG_1.jpg, title: Fibre}\n", "utf-8"
    )
    done = run(site, "report", "a.audit.jsonl", "--project", "project.yaml", "-o", "r.pdf")
    assert done.returncode == 0, done.stderr
    page = run(site, "report", "a.audit.jsonl", "-o", "r.html")
    assert page.returncode == 0, page.stderr
    text = (site / "r.html").read_text("utf-8")
    assert "Field checklist" in text
    assert "Desk calculations" in text
    assert "not enclosed" in text  # a page carries no files
    assert run(site, "report", "--verify", "r.pdf").returncode == 0


def test_lists_are_joined_line_by_line_also_about_devices(site: Path) -> None:
    text = (site / "field.yaml").read_text("utf-8") + "  - {id: plate@52-M1, about: 52-M1, ask: Nameplate.}\n"
    (site / "field.yaml").write_text(text, "utf-8")
    run(site, *ENTER, "--signed", "--record", "a.audit.jsonl", typed="1 n missing\n4 y\nend\n")
    again = (
        "checklist",
        "enter",
        "--resume",
        "a.audit.jsonl",
        "--by",
        "B",
        "--on",
        "2026-03-15",
        "--no-sign",
    )
    run(site, *again, "--record", "b.audit.jsonl", typed="1 y\n2 24.1 V\nend\n")
    done = run(site, "record", "merge", "a.audit.jsonl", "b.audit.jsonl", "--record", "m.audit.jsonl")
    assert done.returncode in (1, 3), done.stderr
    verdicts = {f.point: f.verdict.value for f in load(site / "m.audit.jsonl").findings if f.point}
    assert verdicts["labels@1A"] == "pass"
    assert verdicts["volts@CV-1"] == "pass"
    assert verdicts["plate@52-M1"] == "pass"
    assert verdicts["glass@FO-1"] == "not tested"
    page = run(site, "report", "m.audit.jsonl", "-o", "m.html")
    assert page.returncode == 0, page.stderr
    assert "Field checklist" in (site / "m.html").read_text("utf-8")
