"""Whatever keys somebody presses: the program goes on, the record verifies, its verdicts follow from it."""

from __future__ import annotations

import tempfile
import threading
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from probe.cli.checklist_fill import Filling, Stopped
from probe.cli.checklist_start import Opened, Wanted, begun, finish, opened
from probe.model.finding import Verdict
from probe.present import keys
from probe.record.content import lineup_of, load
from probe.record.rederive import rederive
from probe.record.verify import verify

MAP = """\
format: buswitness-map/1
site: S
lineup: L
system: {voltage_v: 480, frequency_hz: 60}
cabling:
  equipment: [{name: PS-1, kind: dc-supply}]
  feeders: [{name: DC-1, supply: PS-1, loads: [{name: M1, distance_m: 10, draw_w: 20}]}]
devices:
  - {tag: M1, kind: trip-unit, profile: trip-unit-second, section: A, address: {host: 127.0.0.1}}
"""
LIST = """\
format: buswitness-checklist/1
name: field
site: S
lineup: L
cautions: {before: Kills., live: Live.}
lines:
  - {id: a, about: M1, ask: Label, photograph: yes}
  - {id: b, about: DC-1, ask: Volts, measure: {quantity: voltage, at: M1}, cautions: [live]}
  - {id: c, about: lineup, ask: Doors}
"""
NAMED = (
    keys.ENTER, keys.ENTER, keys.ESCAPE, keys.LEFT, keys.RIGHT, keys.UP, keys.DOWN, keys.BACKSPACE,
    keys.CLEAR_LINE, keys.OTHER, keys.TAB,
)  # fmt: skip
WHOLE = ("24.1\n", "19 V\n", "nloose\n", "xnone\n", "sno access\n", "g2\n", "rseen\n", "pIMG_1.jpg\n")
SIGNS = (*"aaayoeq13é", *WHOLE, *WHOLE)
#: The caution before the list is read, then anything.
PRESSED = st.lists(st.sampled_from((*SIGNS, *NAMED)), max_size=40).map(lambda some: ["a", *some])


class Typed:
    """A keyboard on which these keys are pressed, and then no more."""

    def __init__(self, pressed: list[str]) -> None:
        self._left = [key for one in pressed for key in _parts(one)]

    def poll(self) -> str | None:
        return self.wait()

    def wait(self, timeout_s: float | None = None) -> str | None:
        return self._left.pop(0) if self._left else keys.END


def _parts(one: str) -> list[str]:
    return [one] if one in NAMED else [keys.ENTER if sign == "\n" else sign for sign in one]


def started(folder: Path) -> Opened:
    (folder / "map.yaml").write_text(MAP, encoding="utf-8")
    (folder / "list.yaml").write_text(LIST, encoding="utf-8")
    return opened(
        Wanted(map_file=folder / "map.yaml", checklist=folder / "list.yaml", resume=None,
               record=folder / "a.audit.jsonl", operator="", initials="AT", sign=False, as_json=False)
    )  # fmt: skip


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(pressed=PRESSED)
def test_any_keys_leave_a_record_that_verifies_and_judges_the_same(pressed: list[str]) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        start = started(folder)
        run = begun(start, "AT")
        stopped = ""
        try:
            Filling(start, run, Typed(pressed), threading.Event(), live=False).work()
        except Stopped as error:
            stopped = str(error)
        code = finish(start, run, stopped)
        path = folder / "a.audit.jsonl"
        assert verify(path).whole
        content = load(path)
        assert rederive(content, lineup_of(content.header), version=content.header.tool_version).equal
        seen = [f for f in content.findings if f.check.startswith("checklist.")]
        lines = {f.point: f.verdict for f in seen if f.check in ("checklist.seen", "checklist.measured")}
        assert set(lines) == {"a", "b", "c"}
        for state in run.states:  # what nobody answered is never anything but not tested
            assert (lines[state.line.id] is Verdict.NOT_TESTED) == (not state.said)
        assert code in (0, 1, 3)
        assert (code == 0) <= all(verdict is not Verdict.NOT_TESTED for verdict in lines.values())
        # a value is never taken without its caution
        if run.states[1].said and run.states[1].said != "does not apply":
            assert "live" in run.states[1].acknowledged
