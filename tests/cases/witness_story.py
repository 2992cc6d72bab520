"""A witnessed step told as a dictionary, for the cases of the checks on steps and for their unit tests.

witness:
  step: {confirm: [...]}                 fields of the step, over the usual one: open F1, watched for 10 s
  for_each: trip-unit
  changes: [[2.0, F1, {breaker_state: 0}]]   seconds after the go, tag, what its registers show then
  log: [[2.0, F1, opened, 0.0]]          entries of a device's own log: when, tag, what, how wrong its stamp
  silent: [[2.0, F2, 5.0]]               from, tag, until: no answers
  said: {flag: "yes"}                    what was confirmed
  end_s: 10   every_s: 0.25              the end, and how far apart the polls are
  acknowledged: false   skipped: reason   stopped: true   begun: false
  identity: {serial: other}              what F1 says of itself

The devices F1, F2 are trip units, MC-1 is the master; all of bundled profiles. The go is 10 s into the run.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from probe.collect.inputs import open_library
from probe.judge import conclude, judge_device
from probe.judge.witness.plan import WitnessPlan
from probe.judge.witness.watch import Watch
from probe.model.device_evidence import DeviceEvidence, RunEvidence
from probe.model.device_map import DeviceMap
from probe.model.evidence import (
    Anchor,
    AnswerTopic,
    Exchange,
    Framing,
    OperatorAnswer,
    Outcome,
    Purpose,
)
from probe.model.finding import Finding
from probe.model.lineup import Lineup, SourceText
from probe.model.pdu import read_reply, read_request
from probe.model.profile import Area
from probe.model.profile_load import ProfileLibrary
from probe.model.register_image import block_payload, register_image
from probe.model.scope import Scope

SECOND = 1_000_000_000
GO_S = 10.0
WALL_S = 1_773_480_413  # 2026-03-14T09:26:53Z
PROFILES = {"F1": "trip-unit-second", "F2": "trip-unit-second", "MC-1": "master-controller"}
UNIT: dict[str, Any] = {
    "breaker_state": 1, "cradle_position": 1, "maintenance_mode": 0, "bus_flags": 3, "trip_flags": 0,
    "alarm_flags": 0, "active_group": 0, "event_counter": 5, "trip_counter": 1, "operation_counter": 40,
    "group_a_inst": 4800.0, "group_b_inst": 4800.0, "maintenance_inst": 1200.0,
}  # fmt: skip
MASTER: dict[str, Any] = {"lineup_flags": 0, "clock_sync": 1, "clock_source": 1}
STEP: dict[str, Any] = {
    "id": "open",
    "title": "{tag}: open",
    "act": "open",
    "do": "Press OPEN at {tag}.",
    "expect": [{"id": "opens", "see": "breaker", "becomes": "open", "within": "5 s"}],
    "confirm": [{"id": "flag", "ask": "Does the flag show OPEN?"}],
    "log": "event",
}


@lru_cache(maxsize=1)
def _library() -> ProfileLibrary:
    return open_library()


@dataclass
class Witnessed:
    """What the judge said of a witnessed run."""

    said: tuple[Finding, ...]
    watch: Watch

    def findings(self, check: str) -> list[Finding]:
        """The findings of one check."""
        return [finding for finding in self.said if finding.check == check]


@dataclass
class Story:
    """A story while it is told."""

    told: dict[str, Any]
    items: list[tuple[int, Any]] = field(default_factory=list)

    def lineup(self) -> Lineup:
        devices = [
            {
                "tag": tag,
                "kind": "master" if tag == "MC-1" else "trip-unit",
                "profile": profile,
                "section": "A",
                "address": {"host": f"127.0.0.{number}"},
                "identity": {"serial": f"S-{tag}"},
            }
            for number, (tag, profile) in enumerate(PROFILES.items(), 1)
        ]
        text = {
            "format": "buswitness-map/1", "site": "Tarn Hollow Water Works", "lineup": "MSB-1",
            "system": {"voltage_v": 480, "frequency_hz": 60}, "devices": devices,
        }  # fmt: skip
        library = _library()
        procedure = {
            "format": "buswitness-procedure/1",
            "name": "trial",
            "title": "Trial",
            "purpose": "A case.",
            "for_each": self.told.get("for_each", "trip-unit"),
            "steps": [{**STEP, **self.told.get("step", {})}],
        }
        sheet = SourceText(name="trial.yaml", text=_yaml(procedure), sha256="")
        return Lineup(
            map=DeviceMap.model_validate(text),
            profiles={name: library.get(name) for name in set(PROFILES.values())},
            map_texts=(),
            profile_texts=(),
            sheet_texts=(sheet,),
        )

    # -- evidence -----------------------------------------------------------------------------------------

    def add(self, piece: Any) -> None:
        self.items.append((len(self.items) + 1, piece))

    def say(self, at_s: float, topic: AnswerTopic, about: str = "F1", **facts: str) -> None:
        item = "" if facts.pop("whole", "") else self.told.get("step", {}).get("id", "open")
        usual = {"part": "", "question": "", "said": "", "remark": ""}
        answer = OperatorAnswer(
            at_ns=round(at_s * SECOND), sheet="trial", item=item, tag="" if not item else about, round=1,
            topic=topic, initials="AB", **(usual | facts),
        )  # fmt: skip
        self.add(answer)

    def tell(self, lineup: Lineup, watch: Watch) -> None:
        """Everything in order: anchor, cautions, polls and answers."""
        told = self.told
        self.add(Anchor(0, WALL_S * SECOND))
        end_s, every_s = GO_S + told.get("end_s", 10.0), told.get("every_s", 0.25)
        about = "" if told.get("for_each") == "lineup" else told.get("about", "F1")
        moments = _moments(end_s, every_s)
        if told.get("begun", True):
            moments += [
                (9.0, "begun"),
                (GO_S, "ready"),
                (end_s - 0.6, "done"),
                (end_s, "end"),
            ]
        if told.get("stopped") or told.get("skipped"):
            moments = [
                m for m in moments if m[1] not in ("done", *(("ready",) if told.get("skipped") else ()))
            ]
        for at_s, what in sorted(moments, key=lambda m: m[0]):
            if what == "poll":
                for tag in PROFILES:
                    self.poll(lineup, tag, at_s)
            else:
                self.speak(lineup, watch, what, at_s, about)

    def speak(self, lineup: Lineup, watch: Watch, what: str, at_s: float, about: str) -> None:
        told = self.told
        if what == "begun":
            self.say(at_s, AnswerTopic.BEGUN, about)
            if told.get("acknowledged", True):
                item = watch.plan.items[0]
                for caution in watch.cautions(item):
                    self.say(at_s, AnswerTopic.ACKNOWLEDGED, about, part=caution.id)
                for caution in watch.general_cautions(item):
                    self.say(at_s, AnswerTopic.ACKNOWLEDGED, whole="yes", part=caution.id)
        elif what == "ready":
            self.say(at_s, AnswerTopic.READY, about)
        elif what == "done":
            self.say(at_s, AnswerTopic.DONE, about)
            for part, said in told.get("said", {"flag": "yes"}).items():
                self.say(at_s, AnswerTopic.CONFIRMED, about, part=part, said=said)
        elif told.get("skipped"):
            self.say(at_s, AnswerTopic.SKIPPED, about, said=told["skipped"])
        else:
            self.say(at_s, AnswerTopic.STOPPED if told.get("stopped") else AnswerTopic.ENDED, about)

    def poll(self, lineup: Lineup, tag: str, at_s: float) -> None:
        """All points of a device at an instant, in blocks that its type bears."""
        profile = lineup.profile_of(lineup.map.by_tag[tag])
        values = dict(MASTER if tag == "MC-1" else UNIT)
        since_s = at_s - GO_S
        for from_s, who, more in self.told.get("changes", []):
            if who == tag and since_s >= from_s:
                values.update(more)
        values |= {
            "serial_number": self.told.get("identity", {}).get("serial", f"S-{tag}")
            if tag == "F1"
            else f"S-{tag}"
        }
        if "clock" in profile.by_name:
            values["clock"] = WALL_S + at_s + self.told.get("clock_s", 0.0)
        values |= {proof.point: proof.equals for proof in profile.proof}
        for number, event in enumerate(profile.events):
            values |= self.entry(tag, event.points(), number, since_s, profile)
        image = register_image(profile, values)
        blocks = ((0, 26), (200, 8), (230, 14), (250, 48), (300, 42)) if tag != "MC-1" else ((0, 28),)
        for start, count in blocks:
            self.exchange(tag, at_s, start, block_payload(image, Area.HOLDING, start, count), count)

    def entry(
        self, tag: str, names: tuple[str, ...], place: int, since_s: float, profile: Any
    ) -> dict[str, Any]:
        """What an entry of the log shows: newest first."""
        told = [one for one in self.told.get("log", []) if one[1] == tag and since_s >= one[0]]
        number, code, time = names
        if place >= len(told):
            return {number: 0, code: 0, time: 946_684_800.0}
        at_s, _, what, off_s = told[-1 - place]
        raw = next(r for r, word in profile.by_name[code].values.items() if word == what)
        shown = WALL_S + GO_S + at_s + off_s + self.told.get("clock_s", 0.0)
        return {number: len(told) - place, code: raw, time: shown}

    def exchange(self, tag: str, at_s: float, start: int, payload: bytes, count: int) -> None:
        since_s = at_s - GO_S
        silent = any(who == tag and a <= since_s < b for a, who, b in self.told.get("silent", []))
        sent = round(at_s * SECOND)
        request = bytes((0, 1, 0, 0, 0, 6, 255)) + read_request(3, start, count)
        reply = read_reply(3, payload)
        response = bytes((0, 1, 0, 0)) + (len(reply) + 1).to_bytes(2, "big") + b"\xff" + reply
        self.add(
            Exchange(
                tag, Purpose.WITNESS, Framing.MBAP, 0, 1, sent, sent + 5_000_000,
                Outcome.NO_ANSWER if silent else Outcome.DATA, 0, request, b"" if silent else response,
            )
        )  # fmt: skip


def _moments(end_s: float, every_s: float) -> list[tuple[float, str]]:
    many = round((end_s - 8.0) / every_s)
    return [(8.03 + number * every_s, "poll") for number in range(many)]


def _yaml(procedure: dict[str, Any]) -> str:
    return f"format: {procedure['format']}\n" + "\n".join(
        f"{key}: {json.dumps(value)}" for key, value in procedure.items() if key != "format"
    )


def parts(lineup: Lineup, items: list[tuple[int, Any]]) -> Iterator[DeviceEvidence]:
    """Each device's own evidence."""
    for device in lineup.map.devices:
        own = tuple((n, one) for n, one in items if isinstance(one, Exchange) and one.tag == device.tag)
        yield DeviceEvidence(tag=device.tag, exchanges=own)


def witnessed(case: dict[str, Any]) -> Witnessed:
    """The judgement of a case that tells a witnessed step; each story is told once."""
    return _witnessed(json.dumps(case["witness"] or {}))


@lru_cache(maxsize=128)
def _witnessed(told: str) -> Witnessed:
    story = Story(json.loads(told))
    lineup = story.lineup()
    scope = Scope(tags=tuple(PROFILES), sheets=("trial",), targets=("F1",))
    watch = Watch(WitnessPlan(lineup, scope))
    story.tell(lineup, watch)
    items = story.items
    run = RunEvidence(
        anchors=tuple(item for item in items if isinstance(item[1], Anchor)),
        answers=tuple(item for item in items if isinstance(item[1], OperatorAnswer)),
        witnessed=tuple(item for item in items if isinstance(item[1], Exchange)),
    )
    judgements = {one.tag: judge_device(lineup, scope, one, run) for one in parts(lineup, items)}
    watch.take_all(items)
    return Witnessed(conclude(lineup, scope, judgements, run).findings, watch)
