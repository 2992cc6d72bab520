"""View: what the screen of a witness run shows at one moment; plain data, drawn by ``screen``."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from probe.model.finding import Verdict


class Stage(StrEnum):
    """Where the work stands; the word that is shown big."""

    WELCOME = "ready?"
    CAUTION = "caution"
    READ = "read"
    GO = "go"
    SEEN = "seen"
    CONFIRM = "look"
    TYPE = "type"
    RESULT = "result"
    PAUSED = "paused"
    END = "end"


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One thing that is expected, or one result. verdict: None while it is waited for."""

    verdict: Verdict | None
    title: str
    expected: str
    observed: str
    timing: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """tag: big, the device that the step is about. word: big, beside the stage's own.

    texts: paragraphs, each with its style. alarms: what must be seen at once. typed: what is being typed,
    None for nothing. keys: what can be pressed now. hint: why the last key did nothing.
    """

    stage: Stage
    lineup: str
    procedure: str
    place: str = ""
    tag: str = ""
    title: str = ""
    word: str = ""
    verdict: Verdict | None = None
    texts: tuple[tuple[str, str], ...] = ()
    lines: tuple[Line, ...] = ()
    alarms: tuple[str, ...] = ()
    prompt: str = ""
    typed: str | None = None
    keys: tuple[tuple[str, str], ...] = ()
    hint: str = ""
