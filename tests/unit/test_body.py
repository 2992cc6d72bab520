"""Bodies of lines, read back strictly: what is not of its type is refused, field by field."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, get_type_hints

import orjson
import pytest

from probe.model.evidence import ClockDecision, Note, OperatorAnswer
from probe.record.body import (
    cause_from,
    evidence_body,
    evidence_from,
    evidence_kind,
    expectations_from,
    finding_from,
    flag,
    text,
    texts,
)
from probe.record.header import header_from
from probe.record.history import acceptance_from, history_from
from probe.record.network_body import NETWORK_KINDS

RECORDS = Path(__file__).parents[1] / "records"
Build = Callable[[Any], Any]
BUILDERS: dict[str, Build] = {
    "head": header_from,
    "expected": expectations_from,
    "finding": finding_from,
    "cause": cause_from,
    "history": history_from,
    "acceptance": acceptance_from,
}
#: Of a head: shown beside the number that counts, and what older records do not have.
FREE = {("head", name) for name in ("started", "key", "sources", "tool_code", "scope", "instrument")}

#: Decimal text stands there, and a number is as good.
WIDE = {"wall_ns", "low_ns", "high_ns", "started_wall_ns", "at_wall_ns"}


def _bodies() -> list[tuple[str, dict[str, Any]]]:
    """The first line of each kind in the committed records."""
    found: dict[str, dict[str, Any]] = {}
    for name in ("format-1", "format-1-accepted", "format-1-merged"):
        for raw in (RECORDS / f"{name}.audit.jsonl").read_bytes().splitlines():
            value = orjson.loads(raw)
            if value["kind"] not in ("seal", "embedded"):
                found.setdefault(value["kind"], value["body"])
    return list(found.items())


def _builder(kind: str) -> Build:
    return BUILDERS.get(kind) or (lambda body: evidence_from(kind, body))


def _wrong(value: object) -> list[object]:
    """Values of other types than this one."""
    if isinstance(value, list):
        return [5, None]
    if isinstance(value, bool):
        return [1, "true", None]
    if isinstance(value, int):
        return [[], None, "x"]
    return [[], 5]  # text; None may stand for no cause


PLACES = [(kind, name) for kind, body in _bodies() for name in body if (kind, name) not in FREE]


def test_every_kind_of_the_samples_is_looked_at() -> None:
    kinds = {kind for kind, _ in _bodies()}
    assert set(BUILDERS) < kinds
    assert {"exchange", "stray", "connect", "disconnect", "echo", "neighbour", "anchor", "note"} < kinds
    assert {"reference"} < kinds
    for kind, body in _bodies():
        assert _builder(kind)(body) is not None


@pytest.mark.parametrize(("kind", "name"), PLACES)
def test_a_field_that_is_missing_or_of_another_type_is_refused(kind: str, name: str) -> None:
    body = dict(_bodies())[kind]
    build = _builder(kind)
    if not (kind == "note" and name == "since_ns"):
        with pytest.raises(KeyError):
            build({other: value for other, value in body.items() if other != name})
    for wrong in _wrong(body[name]):
        if wrong == 5 and name in WIDE:
            continue
        with pytest.raises((TypeError, ValueError)):
            build({**body, name: wrong})


def test_a_kind_that_is_not_known_is_no_evidence() -> None:
    assert evidence_from("weather", {"sky": "grey"}) is None


def test_a_note_speaks_of_a_moment_unless_it_says_since_when() -> None:
    moment, lasting = Note(5, "a", "b"), Note(5, "a", "b", since_ns=3)
    assert "since_ns" not in evidence_body(moment)
    assert evidence_body(lasting)["since_ns"] == 3
    for note in (moment, lasting):
        assert evidence_from("note", evidence_body(note)) == note


def test_text_and_truth_are_taken_for_nothing_else() -> None:
    assert (text("a"), texts(["a", "b"]), flag(True), flag(False)) == ("a", ("a", "b"), True, False)
    for wrong in (1, None, b"a", True):
        with pytest.raises(TypeError, match="text expected"):
            text(wrong)
        with pytest.raises(TypeError, match="text expected"):
            texts(["a", wrong])
    for wrong in (0, 1, None, "true"):
        with pytest.raises(TypeError, match="true or false"):
            flag(wrong)


def _instance(form: type) -> Any:
    """A piece of evidence of that kind with some value of its type in each field."""
    values: dict[type, object] = {int: 7, str: "a", bytes: b"\x01\xff", bool: True}
    hints = get_type_hints(form)
    return form(**{n: values[k] if k in values else next(iter(k)) for n, k in hints.items()})  # type: ignore[call-overload]


@pytest.mark.parametrize(
    "form", [*NETWORK_KINDS, ClockDecision, OperatorAnswer], ids=lambda form: form.__name__
)
def test_kinds_that_the_samples_do_not_have_are_as_strict(form: type) -> None:
    piece = _instance(form)
    kind, body = evidence_kind(piece), dict(evidence_body(piece))
    assert evidence_from(kind, body) == piece
    for name, value in body.items():
        with pytest.raises(KeyError):
            evidence_from(kind, {other: held for other, held in body.items() if other != name})
        for wrong in _wrong(value):
            if wrong == 5 and name in WIDE:
                continue
            with pytest.raises((TypeError, ValueError)):
                evidence_from(kind, {**body, name: wrong})
