"""A field checklist told as a dictionary, for the cases of its checks.

checklist:
  cautions: {before: ..., live: ...}
  lines: [{id: labels@F1, about: F1, ask: ...}]
said: [[labels@F1, confirmed, "yes"], ["", acknowledged, read, before], ...]
      item, topic, what was said, part or file name, remark
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

from probe.judge import conclude
from probe.model.checklist import fitting_checklist
from probe.model.device_evidence import RunEvidence
from probe.model.device_map import DeviceMap
from probe.model.evidence import Anchor, AnswerTopic, OperatorAnswer
from probe.model.finding import Finding
from probe.model.lineup import Lineup, SourceText
from probe.model.profile_load import ProfileLibrary
from probe.model.scope import Scope

SHEET = "field.yaml"
HEAD = {"format": "buswitness-checklist/1", "name": "field"}


@dataclass
class JudgedList:
    """What the judge said of the list."""

    conclusion: Any

    def findings(self, check: str) -> list[Finding]:
        """The findings of one check."""
        return [one for one in self.conclusion.findings if one.check == check]


def filled(case: dict[str, Any], text: dict[str, Any], library: ProfileLibrary) -> JudgedList:
    """The judgement of a case. text: the map of the case."""
    drawn = DeviceMap.model_validate(text)
    told = {**HEAD, "site": drawn.site, "lineup": drawn.lineup, **case["checklist"]}
    sheet = "format: buswitness-checklist/1\n" + "\n".join(
        f"{key}: {json.dumps(value)}" for key, value in told.items() if key != "format"
    )
    checklist = fitting_checklist(SHEET, sheet, drawn)
    lines = {line.id: line for line in checklist.lines}
    answers = tuple(
        (10 + number, answer(number, lines, *said)) for number, said in enumerate(case.get("said", ()))
    )
    lineup = Lineup(
        map=drawn,
        profiles={name: library.get(name) for name in library.names()},
        map_texts=(),
        profile_texts=(),
        sheet_texts=(SourceText(name=SHEET, text=sheet, sha256="0" * 64),),
    )
    run = RunEvidence(anchors=((1, Anchor(0, 1_773_480_413 * 10**9)),), answers=answers)
    scope = Scope(tags=(), sheets=(SHEET,))
    return JudgedList(conclude(lineup, scope, {}, run))


def answer(  # noqa: PLR0917 - the fields of an answer
    number: int,
    lines: dict[str, Any],
    item: str,
    topic: str,
    said: str,
    part: str = "",
    remark: str = "",
    turn: int = 1,
) -> OperatorAnswer:
    """One answer. part: of a photograph its file name."""
    line = lines.get(item, SimpleNamespace(about="", ask=""))
    is_photo = topic == "photograph"
    return OperatorAnswer(
        at_ns=number * 10**9,
        sheet=SHEET,
        item=item,
        part="" if is_photo else part,
        tag=line.about,
        round=turn,
        topic=AnswerTopic(topic),
        question=part if is_photo else line.ask,
        said=said,
        initials="AT",
        remark=remark,
    )
