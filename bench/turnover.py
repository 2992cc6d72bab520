"""The report for one lineup and for twenty of them, against the same tables by another engine.

    python -m bench.turnover [--copies 19] [--repeats 2] [--output bench/RESULTS.md]

A practice lineup on a bad day is audited once; its record is copied side by side, tags and hosts renamed, so
that the large lineup is as sick as the small one. Every measurement runs in a process of its own, so that
its peak memory is its own. Writes its own section of RESULTS.md, between two marks.
"""

from __future__ import annotations

import argparse
import io
import json
import platform
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from bench.measuring import in_processes, peak_mib, renew

HERE = Path(__file__).parent
BEGIN, END = "<!-- bench.turnover begins -->", "<!-- bench.turnover ends -->"
LIMIT_S = 1200.0
LIMIT_MIB = 1024.0
WORKS = {
    "pdf": "PDF/A-3a, tagged, record enclosed (typst), blocks to bytes",
    "tables": "the same tables and texts alone, neither PDF/A nor tagged (reportlab)",
    "html": "HTML, one file",
    "whole": "whole command: load, judge again, decode, PDF",
}


def make_small(folder: Path) -> Path:
    """The record of an audit of the practice lineup on a bad day."""
    command = [sys.executable, "-m", "probe", "demo", "--record", str(folder / "small.audit.jsonl")]
    subprocess.run(command, cwd=folder, capture_output=True, timeout=LIMIT_S, check=False, env=_environment())
    return folder / "small.audit.jsonl"


def _environment() -> dict[str, str]:
    import os

    return {**os.environ, "PYTHONPATH": str(HERE.parent)}


def multiply(source: Path, target: Path, copies: int) -> None:
    """A record of so many copies of the lineup side by side, with the verdicts that follow from it."""
    from probe.judge import expected
    from probe.model.evidence import JUDGED, Note
    from probe.model.map_load import load_lineup
    from probe.model.profile_load import ProfileLibrary
    from probe.model.scope import Scope
    from probe.record.content import load
    from probe.record.header import Header
    from probe.record.rejudge import judge_again
    from probe.record.writer import RecordWriter

    content = load(source)
    text = _map_of(content.header.map_texts[0].text, copies)
    library = ProfileLibrary.of(content.header.profile_texts)
    lineup, _ = load_lineup("map.yaml", lambda _: text.encode(), library)
    scope = Scope(tags=tuple(device.tag for device in lineup.map.devices))
    header = Header.of(lineup, scope, tool_version="bench", started_wall_ns=content.header.started_wall_ns)
    writer = RecordWriter.create(target.with_suffix(".open"), header)
    writer.expect(expected(lineup, scope))
    pieces = sorted((number, piece) for items in content.evidence.values() for number, piece in items)
    links = {content_link: n for n, content_link in enumerate(_links(content))}
    for number in range(copies):
        for _, piece in pieces:
            if isinstance(piece, Note) and piece.topic == JUDGED:
                writer.keep(piece._replace(text=f"R{number}/{piece.text}"))
            elif hasattr(piece, "tag") or hasattr(piece, "host"):
                writer.keep(_renamed(piece, number, links))
            elif number == 0:
                writer.keep(piece)
    writer.flush()
    conclusion = judge_again(load(target.with_suffix(".open")), lineup)
    writer.conclude(conclusion.findings, conclusion.causes)
    writer.seal(complete=False, reason="a lineup for measuring, sick on purpose")
    target.with_suffix(".open").rename(target)


def _links(content: Any) -> list[str]:
    from probe.record.content import lineup_of

    map_ = lineup_of(content.header).map
    return list(dict.fromkeys(map_.target(tag).link for tag in content.header.scope.tags))


def _renamed(piece: Any, number: int, links: dict[str, int]) -> Any:
    """The piece of evidence for a copy of its device. Any: evidence of whatever type has these fields."""
    fields = {}
    if getattr(piece, "tag", ""):
        fields["tag"] = f"R{number}/{piece.tag}"
    if getattr(piece, "host", "") in links:
        fields["host"] = f"{_address(number, links[piece.host])}:502"
    return piece._replace(**fields)


def _address(copy: int, link: int) -> str:
    return f"10.20.{copy}.{link + 1}"


def _map_of(text: str, copies: int) -> str:
    """The map with its devices copied side by side, each copy with its own tags, sections and hosts."""
    import yaml

    values: dict[str, Any] = yaml.load(text, Loader=yaml.BaseLoader)
    hosts: dict[tuple[str, str], int] = {}
    devices = []
    for number in range(copies):
        for device in values["devices"]:
            one = json.loads(json.dumps(device))
            one["tag"] = f"R{number}/{one['tag']}"
            one["section"] += f", row {number + 1}"
            one.pop("study", None)
            if "fed_from" in one:
                one["fed_from"] = f"R{number}/{one['fed_from']}"
            address = one["address"]
            if "via" in address:
                address["via"] = f"R{number}/{address['via']}"
            else:
                place = (address.pop("host"), address.pop("port", "502"))
                address["host"] = _address(number, hosts.setdefault(place, len(hosts)))
            devices.append(one)
    values["devices"] = devices
    reference = values.get("clock", {}).get("reference", "")
    if reference.startswith("tag:"):
        values["clock"]["reference"] = reference.replace("tag:", "tag:R0/")
    for key in ("networks", "study", "cabling"):  # they name devices of the one lineup
        values.pop(key, None)
    values.pop("approved_sha256", None)
    return json.dumps(values, indent=0)


def do(what: str, path: Path) -> None:
    """Do one work on a record and print what it took."""
    from probe.cli.report_command import material_of
    from probe.present.turnover.making import Order, ReportFormat, report

    began = time.perf_counter()
    if what == "whole":
        data, _ = report(material_of(path), Order(), ReportFormat.PDF)
        took, pages = time.perf_counter() - began, data.count(b"/Type/Page/")
    else:
        took, pages = _parts(what, path)
    print(json.dumps({"wall_s": took, "peak_mib": peak_mib(), "pages": pages}))


def _parts(what: str, path: Path) -> tuple[float, int]:
    """Seconds from the document's blocks to its bytes, and pages (0 where there are none)."""
    from probe.cli.report_command import material_of
    from probe.present.turnover import assembly, enclosure, html_page, typeset
    from probe.present.turnover.making import told
    from probe.present.turnover.project import NO_PROJECT
    from probe.present.turnover.texts import Texts, english

    material, t = material_of(path), Texts(english())
    whole = told(material)
    enclosed = enclosure.enclosures(material.content, (path.name, material.record.data), {}, (), t)
    made = assembly.blocks(whole, NO_PROJECT, enclosed, t, assembly.PaperSize.A4)
    paper = assembly.paper(whole, NO_PROJECT, t)
    began = time.perf_counter()
    if what == "html":
        html_page.html(made, paper, logo=None)
        return time.perf_counter() - began, 0
    if what == "tables":
        return _tables(made)
    data = typeset.pdf(made, paper, "a4", enclosed, logo=None, date_s=0)
    return time.perf_counter() - began, data.count(b"/Type/Page/")


def _tables(made: list[Any]) -> tuple[float, int]:
    """The same tables, lists and texts by the other engine, as plainly as it can."""
    from html import escape

    from reportlab.lib.styles import getSampleStyleSheet
    from reportlab.platypus import LongTable, Paragraph, SimpleDocTemplate

    style = getSampleStyleSheet()["BodyText"]
    began = time.perf_counter()
    story: list[Any] = []

    def say(text: str) -> None:
        story.append(Paragraph(escape(text), style))

    def add(block: Any) -> None:
        if block.kind == "beside":
            for one in (*block.left, *block.right):
                add(one)
        elif block.kind == "table" and block.rows:
            head = [column.title for column in block.columns]
            rows = [
                [Paragraph(escape(str(getattr(cell, "value", cell))), style) for cell in row]
                for row in block.rows
            ]
            shares = [column.width or 1.5 for column in block.columns]
            widths = [440 * share / sum(shares) for share in shares]
            tight = [("LEFTPADDING", (0, 0), (-1, -1), 1), ("RIGHTPADDING", (0, 0), (-1, -1), 1)]
            story.append(LongTable([head, *rows], colWidths=widths, repeatRows=1, style=tight, splitInRow=1))
        elif block.kind == "items":
            for item in block.items:
                say(item.head)
                for name, text in item.lines:
                    say(f"{name} {text}")
        elif block.kind in ("text", "heading"):
            say(block.text)

    for block in made:
        add(block)
    target = io.BytesIO()
    SimpleDocTemplate(target).build(story)
    return time.perf_counter() - began, target.getvalue().count(b"/Type /Page\n")


def measured(what: str, path: Path, repeats: int) -> dict[str, float]:
    """The least wall time of the repeats, each in a process of its own, and the peak memory."""
    found = in_processes("bench.turnover", what, path, repeats=repeats, limit_s=LIMIT_S)
    return {
        "wall_s": min(one["wall_s"] for one in found),
        "peak_mib": max(one["peak_mib"] for one in found),
        "pages": found[0]["pages"],
    }


def section(options: argparse.Namespace, command: str) -> str:
    """The section's text, measured now."""
    from probe.record.content import load

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        small, large = make_small(folder), folder / "large.audit.jsonl"
        multiply(small, large, options.copies)
        rows, peak = [], 0.0
        for path in (small, large):
            many = len(load(path, with_evidence=False).header.scope.tags)
            for what, title in WORKS.items():
                one = measured(what, path, options.repeats)
                pages = f"{one['pages']:.0f}" if one["pages"] else ""
                rows.append(f"| {many} | {title} | {one['wall_s']:.2f} | {pages} | {one['peak_mib']:.0f} |")
                if what in ("pdf", "whole"):
                    peak = max(peak, one["peak_mib"])
    holds = "holds" if peak <= LIMIT_MIB else "DOES NOT HOLD"
    return "\n".join(
        [
            BEGIN,
            "",
            "## Reports",
            "",
            (
                f"Made by `{command}` on {platform.system()} {platform.machine()}, Python "
                f"{platform.python_version()}; the machine was shared. Peak memory is that of the whole "
                "process, record, verdicts and libraries included. In the large lineup the rows are folded, "
                "because a page for each device would not fit: what is open is shown device by device, and "
                "what passed has a row. Both engines set the same blocks."
            ),
            "",
            "| devices | work | wall s | pages | peak MiB |",
            "| --- | --- | --- | --- | --- |",
            *rows,
            "",
            f"Budget: at most {LIMIT_MIB:.0f} MiB at 500 devices: {peak:.0f} MiB, {holds}.",
            "",
            END,
            "",
        ]
    )


def main() -> None:
    """Measure, and write the section."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--copies", type=int, default=19)
    parser.add_argument("--repeats", type=int, default=2)
    parser.add_argument("--output", type=Path, default=HERE / "RESULTS.md")
    parser.add_argument("--do", choices=tuple(WORKS), help=argparse.SUPPRESS)
    parser.add_argument("--file", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.do:
        do(options.do, options.file)
        return
    made = section(options, " ".join(["python -m bench.turnover", *sys.argv[1:]]))
    print(made)
    renew(options.output, made)


if __name__ == "__main__":
    main()
