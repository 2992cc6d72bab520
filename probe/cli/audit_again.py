"""Audits that go on where an older record stopped, or repeat what failed there; never on the old file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
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
    """The failed and untested findings of the record, and the devices that must be asked for them.

    map_file: may be a corrected map; devices that it draws otherwise are repeated whole. Raises InputError,
    RecordError.
    """
    content = load(record, with_evidence=False)
    _refuse_other_runs(content, record)
    lineup = _lineup(content, map_file, profile_dirs)
    before = lineup if map_file is None else lineup_of(content.header)
    repeat = to_retest(content, before, frozenset() if map_file is None else _redrawn(before, lineup))
    if not repeat.tags:
        what = "nothing in this record fails, or is untested and could be told by asking again"
        remedy = "for a whole run leave --retest out"
        if repeat.checks:
            what = "what is open in this record follows from the map alone: no device has to be asked for it"
            remedy = "correct the map, then: buswitness record judge FILE --map MAP"
        raise InputError([Problem(file=str(record), field="--retest", what=what, remedy=remedy)])
    if missing := [tag for tag in repeat.tags if tag not in lineup.map.by_tag]:
        raise InputError([_not_in_map(map_file or record, missing)])
    again = _again(content, lineup, repeat.tags, Relation.RETESTS, record)
    return replace(again, scope=replace(again.scope, checks=repeat.checks))


def _redrawn(before: Lineup, now: Lineup) -> frozenset[str]:
    """Devices that the corrected map draws otherwise, by themselves, their profile, or rules for all."""
    rules = ("system", "tolerances", "clock")
    if any(getattr(before.map, name) != getattr(now.map, name) for name in rules):
        return frozenset(now.map.by_tag)
    old, changed = before.map.by_tag, set()
    for device in now.map.devices:
        was = old.get(device.tag)
        if was is not None and (
            was != device or before.profile_of(was).sha256 != now.profile_of(device).sha256
        ):
            changed.add(device.tag)
    return frozenset(changed)


def _refuse_other_runs(content: RecordContent, record: Path) -> None:
    """A procedure or a survey is repeated by its own command."""
    scope = content.header.scope
    if scope.sheets or scope.survey is not None:
        kind, command = ("a witnessed procedure", "witness") if scope.sheets else ("a survey", "survey")
        what, remedy = f"this is the record of {kind}", f"repeat it with: buswitness {command} MAP"
        raise InputError([Problem(file=str(record), field="--retest", what=what, remedy=remedy)])


def _again(
    content: RecordContent, lineup: Lineup, tags: tuple[str, ...], relation: Relation, record: Path
) -> Again:
    before = content.header.scope
    left_out = tuple(device.tag for device in lineup.map.devices if device.tag not in set(tags))
    scope = replace(before, tags=tags, left_out=left_out, set_clocks=())
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
