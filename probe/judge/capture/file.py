"""Checks on the file of a capture: is it whole, and is it the one that was recorded."""

from __future__ import annotations

from collections.abc import Iterable

from probe.judge.capture.check import FILE, CaptureCheck, CaptureView
from probe.judge.check import Need
from probe.judge.wording import count
from probe.model.capture import Ending
from probe.model.finding import Finding, Verdict


def _whole(check: CaptureCheck, view: CaptureView) -> Iterable[Finding]:
    totals, figures = view.totals, view.figures
    if not figures.packets:
        yield check.untested(FILE, "no frames in the capture")
        return
    faults = []
    if figures.ending is not Ending.WHOLE:
        faults.append(f"the file is {figures.ending.value} at byte {figures.damaged_at:,}")
    if totals["dropped_by_capture"]:
        faults.append(f"{totals['dropped_by_capture']:,} frames lost by the computer that captured")
    if totals["truncated"]:
        faults.append(f"{totals['truncated']:,} frames cut short")
    if totals["mb_holes"]:
        faults.append(f"{count(totals['mb_holes'], 'hole')} in Modbus streams that the network did not have")
    if totals["backward"]:
        faults.append(f"{totals['backward']:,} steps back in time")
    yield check.find(
        FILE,
        Verdict.REVIEW if faults else Verdict.PASS,
        "The capture is not whole" if faults else f"The capture is whole: {count(figures.packets, 'frame')}",
        observed=", ".join(faults) or "whole",
        expected="whole, nothing lost",
        advice="What is missing here cannot be counted: take the capture again, on a faster computer or "
        "with a "
        "filter, before a fault is read from it."
        if faults
        else "",
    )


WHOLE = CaptureCheck(
    id="capture.whole",
    title="The capture is whole",
    needs=(Need.CAPTURE,),
    why="What the capture lost looks like what the network lost: a device is blamed for answers that "
    "were there.",
    source="common practice, no source",
    since="0.3",
    danger=3,
    where="the file",
    run=_whole,
)


def _unchanged(check: CaptureCheck, view: CaptureView) -> Iterable[Finding]:
    kept = view.kept
    if not kept.record:
        yield check.untested(FILE, "there is no record of its recording beside it")
        return
    same = kept.noted == kept.found
    yield check.find(
        FILE,
        Verdict.PASS if same else Verdict.FAIL,
        "The file is as it was recorded" if same else "The file is not the one that was recorded",
        observed=f"SHA-256 {kept.found}",
        expected=f"SHA-256 {kept.noted}, as {kept.record} has it",
        advice=""
        if same
        else "Something was changed, cut or added after the recording: prove nothing by this file. Look "
        "for a "
        "copy whose hash is right; `buswitness record verify` tells whether the record itself is whole.",
    )


UNCHANGED = CaptureCheck(
    id="capture.unchanged",
    title="The capture is as it was recorded",
    needs=(Need.CAPTURE,),
    why="A capture that was cut or joined afterwards shows another course of things; whoever relies on "
    "it must be "
    "able to see that.",
    source="common practice, no source",
    since="0.3",
    danger=5,
    where="captures with the record that `capture take` made, in the same folder",
    run=_unchanged,
)

CHECKS: tuple[CaptureCheck, ...] = (WHOLE, UNCHANGED)
