"""Audits that go on where an older record stopped, or repeat what failed there; never on the old file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from probe.cli import failure
from probe.model.errors import InputError, Problem
from probe.model.lineup import Lineup
from probe.model.nearest import listed
from probe.model.scope import Scope
from probe.present.console import say
from probe.record.again import source_of, to_retest, unfinished
from probe.record.content import RecordContent, lineup_of, load
from probe.record.header import Relation, Source


@dataclass(frozen=True, slots=True, kw_only=True)
class Again:
    """What to audit, and the older record that the new one names."""

    lineup: Lineup
    scope: Scope
    source: Source


def resumed(record: Path, map_file: Path | None, profile_dirs: Sequence[Path] = ()) -> Again:
    """The devices of a stopped run that have no verdict yet, asked as that run would have.

    map_file: must be the map in the record, if it is given at all. Raises InputError, RecordError.
    """
    content = load(record)
    lineup = _lineup(content, map_file, profile_dirs)
    if map_file is not None and lineup.map_texts[0].sha256 != content.header.map_texts[0].sha256:
        raise InputError([_other_map(map_file, record)])
    tags = () if content.is_merged else unfinished(content)
    if not tags:
        what, remedy = "every device of this record has its verdicts", "to repeat what failed: --retest"
        raise InputError([Problem(file=str(record), field="--resume", what=what, remedy=remedy)])
    return _again(content, lineup, tags, Relation.RESUMES, record)


def retested(record: Path, map_file: Path | None, profile_dirs: Sequence[Path] = ()) -> Again:
    """The devices of the record's failed and untested findings.

    map_file: may be a corrected map. Raises InputError, RecordError.
    """
    content = load(record, with_evidence=False)
    lineup = _lineup(content, map_file, profile_dirs)
    tags = to_retest(content)
    if not tags:
        what, remedy = "nothing in this record fails or is untested", "for a whole run leave --retest out"
        raise InputError([Problem(file=str(record), field="--retest", what=what, remedy=remedy)])
    if missing := [tag for tag in tags if tag not in lineup.map.by_tag]:
        raise InputError([_not_in_map(map_file or record, missing)])
    return _again(content, lineup, tags, Relation.RETESTS, record)


def _again(
    content: RecordContent, lineup: Lineup, tags: tuple[str, ...], relation: Relation, record: Path
) -> Again:
    before = content.header.scope
    scope = Scope(
        tags=tags,
        left_out=tuple(device.tag for device in lineup.map.devices if device.tag not in set(tags)),
        quick=before.quick,
        dwell_s=before.dwell_s,
        poll_pause_s=before.poll_pause_s,
        settings_only=before.settings_only,
    )
    return Again(lineup=lineup, scope=scope, source=source_of(content, relation, record))


def _lineup(content: RecordContent, map_file: Path | None, profile_dirs: Sequence[Path]) -> Lineup:
    if map_file is None:
        say("The map and the profiles are those in the record.", error=True)
        return lineup_of(content.header)
    from probe.collect.inputs import open_lineup

    lineup, warnings = open_lineup(map_file, profile_dirs)
    failure.warn_problems(warnings)
    return lineup


def _other_map(map_file: Path, record: Path) -> Problem:
    return Problem(
        file=str(map_file),
        field="--resume",
        what=f"this is not the map that {record} was begun with; a run goes on with one map",
        remedy="leave the map out (the record holds it), or begin a new run",
    )


def _not_in_map(file: Path, missing: Sequence[str]) -> Problem:
    return Problem(
        file=str(file),
        field="--retest",
        what="devices that failed are not in this map",
        found=listed(missing),
        remedy="add them, or leave the map out to use the one in the record",
    )
