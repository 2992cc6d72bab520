"""Writes the sample record for report tests from the record of a demo. Refuses to write over it.

Run: python tests/records/make_report_sample.py DEMO_RECORD FILE. The committed file was made once by it:
seven devices of the practice lineup on a bad day (one silent, two that changed places, one frozen, one with
a wrong clock), and hostile texts wherever a record may hold text. Tests read the file and never make it
again, so a report of an old record stays possible.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import yaml

from probe.judge import expected
from probe.model.evidence import JUDGED, Note
from probe.model.finding import Finding, Verdict
from probe.model.lineup import SourceText
from probe.model.map_load import load_lineup
from probe.model.profile_load import ProfileLibrary
from probe.model.scope import Scope
from probe.record.content import RecordContent, load
from probe.record.header import Header
from probe.record.rejudge import judge_again
from probe.record.writer import RecordWriter

TAGS = ("52-M1", "52-F1", "MC-1", "52-F7", "MTR-F7", "52-F8", "52-M2")
MARKUP = (
    '#panic("no") $x$ *b* _i_ @ref `raw` \\ // ]] </td><script>alert(1)</script> '
    "<img src=x onerror=alert(2)> "
    "{{7*7}} &amp; \x1b[31mred\x1b[0m \x00 \u202eliart \U0001f600 \u4e2d"
)
FORMULA = '=HYPERLINK("http://example.invalid/?x","press") +1+1 @SUM(A1) -2 |cmd'


def _map_of(content: RecordContent) -> str:
    """The map with these devices alone, and a description that is markup."""
    values: dict[str, Any] = yaml.load(content.header.map_texts[0].text, Loader=yaml.BaseLoader)
    values["devices"] = [one for one in values["devices"] if one["tag"] in TAGS]
    for one in values["devices"]:
        one.pop("study", None)
        one["description"] = {"52-M1": '#panic("d") <b>Main</b> *1*', "MC-1": FORMULA[:60]}.get(
            one["tag"], one.get("description", one["tag"])
        )
        if one.get("fed_from") not in TAGS:
            one.pop("fed_from", None)
    return yaml.safe_dump(values, sort_keys=False, allow_unicode=True)


def make(source: Path, target: Path) -> None:
    """Write the sample."""
    content = load(source)
    text = _map_of(content)
    library = ProfileLibrary.of(content.header.profile_texts)
    lineup, _ = load_lineup("map.yaml", lambda _: text.encode(), library)
    named = SourceText(name="../../../etc/cron.d/map.yaml", text=text, sha256=lineup.map_texts[0].sha256)
    lineup = replace(lineup, map_texts=(named,))
    scope = Scope(tags=TAGS)
    header = Header.of(
        lineup,
        scope,
        tool_version="0.1.0",
        started_wall_ns=content.header.started_wall_ns,
        instrument=replace(content.header.instrument, host_name=f"lap {MARKUP}"),
        operator=f"A. Tester {FORMULA}",
        command=("demo",),
    )
    links = {lineup.map.target(tag).link for tag in TAGS}
    path = target.with_suffix(".open")
    writer = RecordWriter.create(path, header)
    writer.expect(expected(lineup, scope))
    pieces = sorted(
        ((n, p) for items in content.evidence.values() for n, p in items), key=lambda item: item[0]
    )
    for _, piece in pieces:
        if _belongs(piece, links):
            writer.keep(piece)
    writer.keep(Note(1, "said by a device", MARKUP))
    writer.flush()
    conclusion = judge_again(load(path), lineup)
    hostile = Finding(
        check="alarms.present",
        subject="52-M1",
        point="hostile",
        verdict=Verdict.FAIL,
        title=f"Alarm: {MARKUP}",
        observed=FORMULA,
        expected="none",
        advice=f"Do nothing: {MARKUP}",
        danger=1,
    )
    writer.conclude((hostile, *conclusion.findings), conclusion.causes)
    writer.seal(complete=False, reason=f"stopped: {MARKUP}")
    path.rename(target)


def _belongs(piece: Any, links: set[str]) -> bool:
    """Whether the piece of evidence is about one of these devices or about the run. Any: evidence."""
    if isinstance(piece, Note):
        return piece.topic != JUDGED or piece.text in TAGS
    tag, host = getattr(piece, "tag", ""), getattr(piece, "host", "")
    return (not tag or tag in TAGS) and (not host or host in links)


if __name__ == "__main__":
    if Path(sys.argv[2]).exists():
        sys.exit(f"{sys.argv[2]} exists")
    make(Path(sys.argv[1]), Path(sys.argv[2]))
