"""All protective settings that a record holds, beside the study that it carries: for tables, curves, exports.

Derived from the evidence, as the verdicts are, and by the same functions; a device whose identity or proof is
not right has no settings here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from probe.judge import judge_device
from probe.judge.context import DeviceContext
from probe.judge.expectation import subject_of
from probe.judge.run_context import RunContext
from probe.judge.settings.device_checks import rows_of, why_no_rows
from probe.judge.settings.found import AsFound
from probe.judge.settings.pairs import Bands, Coordination, all_coordinations
from probe.judge.settings.row import Row
from probe.model.lineup import Lineup
from probe.model.study import Study
from probe.record.content import RecordContent
from probe.record.rejudge import NEVER, Evidence


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceSettings:
    """One device. rows: beside the study, empty where ``why`` says why not. found: None where not read."""

    tag: str
    rows: tuple[Row, ...] = ()
    found: AsFound | None = None
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingsView:
    """A whole lineup. code: hash of the record's last line, for exports and drawings."""

    lineup: Lineup
    code: str
    devices: tuple[DeviceSettings, ...]
    coordinations: tuple[Coordination, ...]

    @property
    def studies(self) -> tuple[Study, ...]:
        """The studies that speak of its devices, each once."""
        return tuple({study.name: study for study in self.lineup.studies.values()}.values())

    @property
    def found(self) -> Mapping[str, AsFound]:
        """As-found settings by tag."""
        return {one.tag: one.found for one in self.devices if one.found is not None}

    @property
    def bands(self) -> Bands:
        """Makes the bands of its devices."""
        return Bands(lineup=self.lineup, found=self.found)


def settings_of(content: RecordContent, lineup: Lineup) -> SettingsView:
    """The settings in the record. lineup: ``content.lineup_of(content.header)``."""
    evidence = Evidence(content, lineup)
    devices = tuple(
        _device(content, lineup, evidence, tag) for tag in evidence.tags if _has_settings(lineup, tag)
    )
    bands = Bands(lineup=lineup, found={d.tag: d.found for d in devices if d.found is not None})
    return SettingsView(
        lineup=lineup,
        code=content.code,
        devices=devices,
        coordinations=tuple(all_coordinations(bands, frozenset(evidence.tags))) if lineup.studies else (),
    )


def _has_settings(lineup: Lineup, tag: str) -> bool:
    study = lineup.studies.get(tag)
    named = study is not None and tag in study.tags
    return named or lineup.profile_of(lineup.map.by_tag[tag]).settings is not None


def _device(content: RecordContent, lineup: Lineup, evidence: Evidence, tag: str) -> DeviceSettings:
    scope = content.header.scope
    own, run = evidence.of_device(tag), evidence.of_run(evidence.judged_at.get(tag, NEVER))
    judgement = judge_device(lineup, scope, own, run)
    found = judgement.facts.settings
    context = DeviceContext(subject_of(lineup, scope, tag), own, RunContext(lineup, run))
    if found is None:
        told = [
            f.title.partition(": not tested, ")[2] for f in judgement.findings if f.check == "settings.study"
        ]
        why = next(filter(None, told), "") or why_no_rows(context) or context.why_nothing()
        return DeviceSettings(tag=tag, why=why)
    return DeviceSettings(tag=tag, rows=rows_of(context), found=found, why=why_no_rows(context))
