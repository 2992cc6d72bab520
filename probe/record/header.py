"""Header: the first line of a record: what was to be audited, with what, by whom, from when.

Plain data, handed in; nothing here asks the operating system or a clock.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import Any

from probe.model.lineup import Lineup, SourceText
from probe.model.scope import Scope, SurveyScope
from probe.record.body import flag, text, texts
from probe.record.line import Plain
from probe.record.signing import digits, key_body, key_from

FORMAT = "buswitness-record/1"
NOT_STATED = "not stated"


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """The computer that the audit ran on.

    addresses: its own interfaces as text, one each (``eth0 192.0.2.10/24 02:00:5e:10:00:01``).
    clock: what is known of its wall clock's state (``synchronised``, ``not synchronised``, ...).
    """

    host_name: str = NOT_STATED
    system: str = NOT_STATED
    python: str = NOT_STATED
    addresses: tuple[str, ...] = ()
    clock: str = NOT_STATED


class Relation(StrEnum):
    """What a record is to an older one that it names. Newer versions may know more of them."""

    RESUMES = "resumes"  # goes on with the devices that the older one did not get to
    RETESTS = "retests"  # repeats what failed or was not tested there
    JUDGES = "judges again"  # its evidence, judged with other texts or another version
    MERGES = "merges"  # holds it whole, line by line
    ACCEPTS = "accepts"  # records that somebody accepts a deviation found there


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """An older record that this one names.

    relation: one of ``Relation``, or a word of a newer version. code: hash of its last line; count: its
    lines; file: its name when it was read; closed: whether that last line was a seal.
    """

    relation: str
    code: str
    count: int
    file: str
    closed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """All that the first line holds. started_wall_ns: Unix nanoseconds of the wall clock.

    map_texts: the map first, then its includes; profile_texts: all that they need; study_texts: the studies
    of settings that the map names; sheet_texts: procedures and checklists that people worked through. All
    whole, so that the record stands alone. tool_code: hash of the tool's
    judging parts (``own_code``), empty if not known. key: the public key of who signs, empty for nobody.
    sources: older records that this one names; none of them is changed by it.
    """

    tool_version: str
    site: str
    lineup: str
    map_texts: tuple[SourceText, ...]
    profile_texts: tuple[SourceText, ...]
    scope: Scope
    started_wall_ns: int
    instrument: Instrument = Instrument()
    operator: str = ""
    command: tuple[str, ...] = ()
    tool_code: str = ""
    key: str = ""
    sources: tuple[Source, ...] = ()
    study_texts: tuple[SourceText, ...] = ()
    sheet_texts: tuple[SourceText, ...] = ()
    format: str = FORMAT

    @classmethod
    def of(cls, lineup: Lineup, scope: Scope, **facts: Any) -> Header:
        """The header of a run over the lineup; facts: the remaining fields by name."""
        return cls(
            site=lineup.map.site,
            lineup=lineup.map.lineup,
            map_texts=lineup.map_texts,
            profile_texts=lineup.profile_texts,
            study_texts=lineup.study_texts,
            sheet_texts=lineup.sheet_texts,
            scope=scope,
            **facts,
        )


def rfc3339(wall_ns: int) -> str:
    """The moment as RFC 3339 text in UTC with nine digits, as ``2026-03-14T09:26:53.000000001Z``.

    Years before 1 and after 9999 cannot be written so; they give ``not a date``.
    Source: RFC 3339, 5.6 (clause from memory).
    """
    seconds, rest = divmod(wall_ns, 1_000_000_000)
    try:
        moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
    except OverflowError:
        return "not a date"
    return f"{moment.replace(tzinfo=None).isoformat()}.{rest:09d}Z"


def header_body(header: Header) -> Mapping[str, Plain]:
    """The header as the body of the first line."""
    instrument = header.instrument
    studies = [_text_body(source) for source in header.study_texts]
    return {
        **({"studies": studies} if studies else {}),
        **({"sheets": [_text_body(one) for one in header.sheet_texts]} if header.sheet_texts else {}),
        "command": header.command,
        "format": header.format,
        "instrument": {
            "addresses": instrument.addresses,
            "clock": instrument.clock,
            "host_name": instrument.host_name,
            "python": instrument.python,
            "system": instrument.system,
        },
        "key": key_body(header.key),
        "lineup": header.lineup,
        "map": [_text_body(source) for source in header.map_texts],
        "operator": header.operator or NOT_STATED,
        "profiles": [_text_body(source) for source in header.profile_texts],
        "scope": scope_body(header.scope),
        "site": header.site,
        "sources": [_source_body(source) for source in header.sources],
        "started": rfc3339(header.started_wall_ns),
        "started_wall_ns": str(header.started_wall_ns),
        "tool_code": header.tool_code,
        "tool_version": header.tool_version,
    }


def header_from(body: Mapping[str, Any]) -> Header:
    """The header that a first line's body holds. Raises KeyError, TypeError or ValueError if it is none."""
    instrument = body["instrument"]
    return Header(
        format=text(body["format"]),
        tool_version=text(body["tool_version"]),
        site=text(body["site"]),
        lineup=text(body["lineup"]),
        map_texts=tuple(_text_from(item) for item in body["map"]),
        profile_texts=tuple(_text_from(item) for item in body["profiles"]),
        scope=scope_from(body["scope"]),
        started_wall_ns=int(body["started_wall_ns"]),
        instrument=Instrument(
            host_name=text(instrument["host_name"]),
            system=text(instrument["system"]),
            python=text(instrument["python"]),
            addresses=texts(instrument["addresses"]),
            clock=text(instrument["clock"]),
        ),
        operator=text(body["operator"]),
        command=texts(body["command"]),
        tool_code=text(body.get("tool_code", "")),
        key=key_from(body.get("key")),
        sources=tuple(_source_from(item) for item in body.get("sources", ())),
        study_texts=tuple(_text_from(item) for item in body.get("studies", ())),
        sheet_texts=tuple(_text_from(item) for item in body.get("sheets", ())),
    )


#: Fields of a scope that are about procedures and checklists; left out where they are empty.
_OF_SHEETS = ("sheets", "targets", "sheet_values")
#: Fields of a scope that are about clocks; in the record a list of those that are set, left out if none is.
_CLOCK_WAYS = ("clocks_only", "fine", "patient")


def scope_body(scope: Scope) -> Mapping[str, Plain]:
    """The scope; its seconds as the shortest decimal text that gives the same number back."""
    clocks = [name for name in _CLOCK_WAYS if getattr(scope, name)]
    return {
        **({"clocks": clocks} if clocks else {}),
        **({"set_clocks": scope.set_clocks} if scope.set_clocks else {}),
        **({"settings_only": True} if scope.settings_only else {}),
        **({"survey": _survey_body(scope.survey)} if scope.survey else {}),
        **{name: value for name in _OF_SHEETS if (value := getattr(scope, name))},
        **({"checks": scope.checks} if scope.checks else {}),
        "dwell_s": repr(float(scope.dwell_s)),
        "left_out": scope.left_out,
        "poll_pause_s": repr(float(scope.poll_pause_s)),
        "quick": scope.quick,
        "tags": scope.tags,
    }


def scope_from(body: Mapping[str, Any]) -> Scope:
    """The scope that ``scope_body`` wrote."""
    return Scope(
        tags=texts(body["tags"]),
        left_out=texts(body["left_out"]),
        quick=flag(body["quick"]),
        dwell_s=float(body["dwell_s"]),
        poll_pause_s=float(body["poll_pause_s"]),
        set_clocks=texts(body.get("set_clocks", ())),
        settings_only=flag(body.get("settings_only", False)),
        checks=texts(body.get("checks", ())),
        survey=_survey_from(body["survey"]) if "survey" in body else None,
        sheets=texts(body.get("sheets", ())),
        targets=texts(body.get("targets", ())),
        sheet_values=texts(body.get("sheet_values", ())),
        **{name: True for name in texts(body.get("clocks", ())) if name in _CLOCK_WAYS},
    )


def _survey_body(survey: SurveyScope) -> Mapping[str, Plain]:
    return {
        "interface": survey.interface,
        "listen_s": repr(float(survey.listen_s)),
        "ranges": survey.ranges,
        "services": survey.services,
        "speak": survey.speak,
        **({"failover": survey.failover} if survey.failover else {}),
    }


def _survey_from(body: Mapping[str, Any]) -> SurveyScope:
    return SurveyScope(
        interface=text(body["interface"]),
        listen_s=float(body["listen_s"]),
        ranges=texts(body["ranges"]),
        services=flag(body["services"]),
        speak=flag(body["speak"]),
        failover=texts(body.get("failover", ())),
    )


def _source_body(source: Source) -> Mapping[str, Plain]:
    return {
        "closed": source.closed,
        "code": source.code,
        "count": source.count,
        "file": source.file,
        "relation": str(source.relation),
    }


def _source_from(body: Mapping[str, Any]) -> Source:
    return Source(
        relation=text(body["relation"]),
        code=digits(body["code"], 64),
        count=int(body["count"]),
        file=text(body["file"]),
        closed=flag(body["closed"]),
    )


def _text_body(source: SourceText) -> Mapping[str, Plain]:
    return {"name": source.name, "sha256": source.sha256, "text": source.text}


def _text_from(body: Mapping[str, Any]) -> SourceText:
    return SourceText(name=text(body["name"]), text=text(body["text"]), sha256=text(body["sha256"]))
