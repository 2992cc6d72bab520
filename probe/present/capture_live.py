"""A capture while it is taken: the same figures as of a file, redrawn about once a second."""

from __future__ import annotations

from collections.abc import Sequence

from probe.judge.capture.check import CaptureView
from probe.judge.wording import count
from probe.model.capture import CaptureFigures
from probe.model.finding import Finding, Verdict
from probe.present.capture_page import device_table, figure_pairs
from probe.present.page import facts, paragraph
from probe.present.progress import Progress
from probe.present.row import Piece, Row, cut
from probe.present.signs import Signs


class CaptureProgress(Progress):
    """What the live picture shows: figures, findings and the state of the recording."""

    def __init__(self, interface: str, link_bps: int) -> None:
        super().__init__()
        self.interface, self.link_bps = interface, link_bps
        self.figures: CaptureFigures | None = None
        self.said: Sequence[Finding] = ()
        self.state = ""


def live_picture(
    progress: CaptureProgress, elapsed_s: float, size: tuple[int, int], signs: Signs, *, stopping: bool
) -> list[Row]:
    """The screen: at most ``size[1]`` rows, none wider than ``size[0]`` columns."""
    width, height = size
    title = f"Recording {progress.interface}, {elapsed_s:.0f} s  {progress.state}"
    foot = (
        "Stopping: the file is being closed" if stopping else "Ctrl-C stops; the file is whole at any moment"
    )
    rows = [Row([Piece(cut(title, width, signs.ellipsis), "bold")]), Row()]
    if progress.figures is not None:
        rows += _figures(progress, progress.figures, width, signs)
    return [*rows[: max(height - 1, 0)], Row([Piece(cut(foot, width, signs.ellipsis), "dim")])]


def _figures(progress: CaptureProgress, figures: CaptureFigures, width: int, signs: Signs) -> list[Row]:
    view = CaptureView(figures, link_bps=progress.link_bps)
    pairs = [pair for pair in figure_pairs(view) if pair[0] not in ("file", "taken")]
    rows = [*_now(figures, width), *facts(pairs, width)]
    for finding in progress.said:
        if finding.verdict in (Verdict.FAIL, Verdict.REVIEW):
            lamp = signs.verdicts[finding.verdict]
            text = f"{finding.subject}: {finding.title}"
            rows += paragraph(text, width, lead=[Piece(f"{lamp.sign} ", lamp.ink)])
    return [*rows, *device_table(view, width, signs)]


def _now(figures: CaptureFigures, width: int) -> list[Row]:
    """The last whole bin of time: what goes on now."""
    if len(figures.moments) < 2:
        return []
    last = figures.moments[-2]
    step_s = figures.moment_ns / 1e9
    rate = last.bytes * 8 / step_s / 1e6
    said = f"{count(round(last.packets / step_s), 'packet')}/s, {rate:.3f} Mbit/s"
    if last.replies:
        said += f", replies in {last.mean_ns / 1e6:.1f} ms on average, {last.most_ns / 1e6:.1f} at most"
    return facts([("now", said)], width)
