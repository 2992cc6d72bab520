"""A capture for people: what was on the wire, each Modbus device in a line, then what is wrong."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from probe.judge.capture.check import CaptureView
from probe.judge.wording import count, instant, milliseconds, percent, span
from probe.model.capture import CaptureFigures, DeviceTraffic, Ending
from probe.model.finding import WORST_FIRST, Finding, Verdict, worst
from probe.present.finding_lists import alike_rows, part_alike
from probe.present.page import facts, page_width, paragraph, print_rows
from probe.present.record_page import findings_by_device
from probe.present.row import Piece, Row, fit
from probe.present.signs import Signs, signs_for

if TYPE_CHECKING:
    from rich.console import Console

#: Lines of a table before the rest is counted.
_MOST_ROWS = 40


def show_capture(console: Console, view: CaptureView, findings: Sequence[Finding]) -> None:
    """Print the whole page."""
    signs = signs_for(console.encoding, os.environ.get("TERM", ""))
    print_rows(console, capture_rows(view, findings, page_width(console), signs))


def capture_rows(view: CaptureView, findings: Sequence[Finding], width: int, signs: Signs) -> list[Row]:
    """The page as rows."""
    verdict = worst([one.verdict for one in findings])
    lamp = signs.verdicts[verdict]
    rows = paragraph(
        f"{view.figures.file}: {count(view.figures.packets, 'packet')}",
        width,
        lead=[Piece(f" {lamp.sign} ", lamp.glow), Piece(" ")],
        style="bold",
    )
    rows += facts(figure_pairs(view), width, indent=4)
    rows += device_table(view, width, signs)
    told = [one for one in findings if one.verdict is not Verdict.PASS]
    lots, single = part_alike(told)
    rows += alike_rows(lots, width, signs)
    rows += findings_by_device(single, width, signs, {})
    rows += _advice(single, width)
    said = ", ".join(
        f"{sum(one.verdict is kind for one in findings)} {signs.verdicts[kind].word}" for kind in WORST_FIRST
    )
    return [*rows, Row(), *facts([("Findings", said)], width)]


def figure_pairs(view: CaptureView) -> list[tuple[str, str]]:
    """What was counted, in pairs of name and text."""
    figures, totals = view.figures, view.totals
    if not figures.packets:
        return [("taken", "no packets"), ("file", figures.format)]
    return [
        ("taken", f"{instant(totals['low_ns'] / 1e9)}, for {span(figures.span_ns / 1e9)}"),
        ("file", _file(figures)),
        ("network", _network(view)),
        ("modbus", _modbus(view)),
        ("replies", _replies(view)),
        ("tcp", _tcp(view)),
        ("talkers", ", ".join(f"{one.address} {_share(one.bytes, totals)}" for one in figures.talkers[:5])),
        ("neighbours", _neighbours(figures)),
        ("left out", "; ".join(figures.left_out)),
    ]


def _file(figures: CaptureFigures) -> str:
    ending = "" if figures.ending is Ending.WHOLE else f", {figures.ending.value}"
    clock = "nanoseconds" if figures.totals["tick"] < 1000 else "microseconds"
    return f"{figures.format}, {figures.size:,} bytes, clock in {clock}{ending}"


def _network(view: CaptureView) -> str:
    totals = view.totals
    peak = f"busiest second {totals['peak_packets']:,} packets, {totals['peak_bytes'] * 8 / 1e6:.2f} Mbit"
    if view.link_bps:
        peak += f" ({percent(totals['peak_bytes'] * 8 / view.link_bps)} % of the link)"
    group = totals["multicast"] + totals["broadcast"]
    return f"{peak}; {group:,} packets to groups or all, at most {totals['peak_group']:,} in a second"


def _modbus(view: CaptureView) -> str:
    totals = view.totals
    if not (totals["requests_seen"] or totals["responses_seen"]):
        return "none; where it is spoken on other ports than 502: --port or --map" if totals["data"] else ""
    lost = totals["requests_seen"] - totals["matched"]
    return (
        f"{totals['requests_seen']:,} requests, {totals['matched']:,} answered, {lost:,} not; "
        f"{totals['exceptions']:,} exceptions; {count(totals['mb_connections'], 'connection')}, "
        f"{count(sum(write.attempts for write in view.figures.writes), 'write')}"
    )


def _replies(view: CaptureView) -> str:
    reply = view.figures.reply
    if reply is None:
        return ""
    times = ", ".join(
        f"{name} {milliseconds(ns)}"
        for name, ns in (
            ("least", reply.least_ns),
            ("median", reply.median_ns),
            ("95 %", reply.p95_ns),
            ("99 %", reply.p99_ns),
            ("most", reply.most_ns),
        )
    )
    return f"{times} ms" + (f" (to {percent(reply.share)} %)" if reply.share else "")


def _tcp(view: CaptureView) -> str:
    totals = view.totals
    if not totals["tcp"]:
        return ""
    said = {
        "sent again": totals["retransmitted"] + totals["partly_new"],
        "out of order or late": totals["late"],
        "copies made by the capture": totals["copies_seen"],
        "holes in the capture": totals["holes_skipped"],
        "resets": totals["rst"],
        "refused": totals["refused"],
        "closed windows": totals["zero_window"],
    }
    words = [f"{many:,} {word}" for word, many in said.items() if many]
    return f"{totals['data']:,} segments with data in {count(totals['opened'], 'connection')}" + (
        f"; {', '.join(words)}" if words else ""
    )


def _share(size: int, totals: Mapping[str, int]) -> str:
    whole = totals["wire_bytes"]
    return f"({percent(size / whole)} %)" if whole else ""


def _neighbours(figures: CaptureFigures) -> str:
    named = [one for one in figures.neighbours if one.name or one.port]
    return ", ".join(f"{one.name or one.hardware} {one.port}".strip() for one in named[:6])


def device_table(view: CaptureView, width: int, signs: Signs) -> list[Row]:
    """One line a Modbus unit."""
    devices = view.figures.devices
    if not devices:
        return []
    room = max(min(max(len(view.subject(one)) for one in devices), width - 55), 12)
    head = f"  {'device':<{room}} {'asked':>8} {'lost':>6} {'exc.':>5} {'median':>8} {'99 %':>8} {'every':>8}"
    rows = [Row(), Row([Piece(head[:width], "dim")])]
    rows += [_device_row(view, one, room, width, signs) for one in devices[:_MOST_ROWS]]
    if len(devices) > _MOST_ROWS:
        rows += paragraph(f"and {len(devices) - _MOST_ROWS} more (all are in --json)", width, indent=2)
    return rows


def _device_row(view: CaptureView, device: DeviceTraffic, room: int, width: int, signs: Signs) -> Row:
    reply = device.reply
    times = (milliseconds(reply.median_ns), milliseconds(reply.p99_ns)) if reply else ("", "")
    every = f"{device.polls[0].mean_ns / 1e6:.0f}" if device.polls else ""
    text = (
        f"  {fit(view.subject(device), room, signs.ellipsis)} {device.requests:>8} {device.unanswered:>6} "
        f"{device.exceptions:>5} {times[0]:>8} {times[1]:>8} {every:>8}"
    )
    return Row([Piece(text[:width])])


def _advice(findings: Sequence[Finding], width: int) -> list[Row]:
    """What to do, each advice once, the most dangerous first."""
    wanted = [one for one in findings if one.verdict in (Verdict.FAIL, Verdict.REVIEW)]
    advice = dict.fromkeys(one.advice for one in sorted(wanted, key=lambda one: -one.danger) if one.advice)
    if not advice:
        return []
    rows = [Row(), Row([Piece("What to do", "bold")])]
    for text in advice:
        rows += paragraph(text, width, lead=[Piece("- ")], indent=2)
    return rows
