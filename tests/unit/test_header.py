"""The head of a record: every way to run comes back, and heads of older versions are read."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from probe.model.lineup import SourceText
from probe.model.scope import Scope, SurveyScope
from probe.record.header import (
    Header,
    Instrument,
    Relation,
    Source,
    header_body,
    header_from,
    scope_body,
    scope_from,
)

TEXT = SourceText(name="a.yaml", text="a: 1\n", sha256="0" * 64)
HEADER = Header(
    tool_version="0.1.0", site="Tarn Hollow Water Works", lineup="MSB-1", map_texts=(TEXT,), profile_texts=(),
    scope=Scope(tags=("F-01", "F-02")), started_wall_ns=1, operator="A. Tester",
    instrument=Instrument(host_name="laptop-3", addresses=("lo 127.0.0.1/8",)),
)  # fmt: skip
SURVEY = SurveyScope(interface="eth0", listen_s=0.1, speak=False, ranges=("192.0.2.0/24",), services=True)


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"left_out": ("F-03",), "quick": True, "dwell_s": 0.1, "poll_pause_s": 2.5},
        {"clocks_only": True},
        {"fine": True, "patient": True},
        {"set_clocks": ("F-01",)},
        {"settings_only": True},
        {"sheets": ("a",), "targets": ("F-01",), "sheet_values": ("discharge=20 min",)},
        {"checks": ("clock.skew@F-01", "*@F-02")},
        {"survey": SURVEY},
        {"survey": replace(SURVEY, failover=("ring-1",), speak=True, services=False)},
    ],
)
def test_every_way_to_run_comes_back(changes: dict[str, Any]) -> None:
    scope = replace(HEADER.scope, **changes)
    assert scope_from(scope_body(scope)) == scope
    whole = replace(HEADER, scope=scope)
    assert header_from(header_body(whole)) == whole


def test_what_was_not_asked_for_is_not_in_the_head() -> None:
    """So that heads of usual runs stay what they were when these ways came."""
    assert set(scope_body(HEADER.scope)) == {"dwell_s", "left_out", "poll_pause_s", "quick", "tags"}
    assert not {"studies", "sheets"} & set(header_body(HEADER))
    fine = scope_body(replace(HEADER.scope, fine=True))
    assert fine["clocks"] == ["fine"]


def test_ways_of_a_newer_version_to_read_clocks_are_passed_over() -> None:
    body = {**scope_body(HEADER.scope), "clocks": ["fine", "with a sundial"]}
    assert scope_from(body) == replace(HEADER.scope, fine=True)


def test_heads_of_older_versions_are_read() -> None:
    older = {k: v for k, v in header_body(HEADER).items() if k not in ("key", "sources", "tool_code")}
    read = header_from(older)
    assert (read.key, read.sources, read.tool_code) == ("", (), "")
    assert read == HEADER


def test_texts_and_sources_come_back() -> None:
    source = Source(relation=Relation.RESUMES, code="ab" * 32, count=7, file="old.audit.jsonl", closed=True)
    whole = replace(
        HEADER, study_texts=(TEXT,), sheet_texts=(replace(TEXT, name="b"),), key="cd" * 32,
        tool_code="ef" * 32,
        sources=(source, replace(source, relation="of another version", closed=False)),
    )  # fmt: skip
    assert header_from(header_body(whole)) == whole


@pytest.mark.parametrize("code", ["ab" * 31, "AB" * 32, "xy" * 32, 5, None])
def test_a_source_is_named_by_the_code_of_its_last_line(code: object) -> None:
    source = {"relation": "resumes", "code": code, "count": 1, "file": "f", "closed": True}
    with pytest.raises(ValueError, match="64 lower-case"):
        header_from({**header_body(HEADER), "sources": [source]})


@pytest.mark.parametrize(
    "wrong",
    [
        {"scope": {**scope_body(HEADER.scope), "quick": 1}},
        {"scope": {**scope_body(HEADER.scope), "tags": [1]}},
        {"scope": {**scope_body(HEADER.scope), "dwell_s": "soon"}},
        {"scope": {**scope_body(HEADER.scope), "settings_only": "yes"}},
        {"scope": {**scope_body(HEADER.scope), "survey": {"interface": "eth0"}}},
        {"scope": {}},
        {"instrument": {}},
        {"key": "ab" * 32},
        {"key": {"algorithm": "rsa", "public": "ab" * 32}},
        {"map": [{"name": "a"}]},
    ],
)
def test_what_is_no_head_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises((KeyError, TypeError, ValueError)):
        header_from({**header_body(HEADER), **wrong})
