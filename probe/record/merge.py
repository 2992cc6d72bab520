"""Merge: a run, its resumed parts, its retests and acceptances, joined into the state at hand-over.

The rules, plain enough to be checked by hand:

- The runs stand in the order of their start, each one whole.
- What a check says of a device is what the last run says that got the device done; all its findings of that
  check together, for on a retest an alarm that is gone leaves no finding of its own.
- A finding on the lineup counts until a later run covers every device that it is about.
- What passed on one unit says nothing of another: where a later run reads another identity, what was said
  before and was not repeated is not tested.
- Nothing is erased: each finding that was ever not a pass has a history, over all runs.
- An acceptance counts while the finding is seen and judged just as it was accepted.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

from probe.judge.conclusion import untested_required
from probe.judge.registry import get
from probe.judge.repeat import family_of
from probe.model.errors import InputError
from probe.model.finding import WORST_FIRST, Cause, Expectation, Finding, Verdict, worst
from probe.record.history import Acceptance, History, Stage

Group = tuple[str, str]
#: Checks on the run itself, which every run makes.
_OF_EVERY_RUN = "run"
#: Checks on what people looked at and measured: no device has to be done for them.
_BY_PEOPLE = "checklist"


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One run to be joined. order: of its start. tags: its scope; done: those that it got done.

    offset: what to add to a line number of its own to get that in the merged record. checks: what a retest
    was to repeat, as in a scope; empty for all.
    """

    code: str
    started_wall_ns: int
    operator: str
    key: str
    map_order: tuple[str, ...]
    tags: tuple[str, ...]
    done: frozenset[str]
    findings: tuple[Finding, ...]
    causes: tuple[Cause, ...]
    expectations: tuple[Expectation, ...]
    offset: int = 0
    checks: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Merged:
    """The state at hand-over. tags: all that any run had in its scope; complete, reason: as for a seal."""

    tags: tuple[str, ...]
    left_out: tuple[str, ...]
    expectations: tuple[Expectation, ...]
    findings: tuple[Finding, ...]
    causes: tuple[Cause, ...]
    histories: tuple[History, ...]
    complete: bool
    reason: str


def merge(parts: Sequence[Part], acceptances: Sequence[Acceptance] = ()) -> Merged:
    """The parts joined. parts: at least one, in the order of their start, offsets set."""
    current = _current(parts)
    findings = _ordered(current, parts)
    causes = _causes(current, parts)
    tags = tuple(tag for tag in parts[-1].map_order if any(tag in part.tags for part in parts))
    expectations = _expectations(parts)
    complete, reason = _complete(parts, tags, findings, expectations)
    return Merged(
        tags=tags,
        left_out=tuple(tag for tag in parts[-1].map_order if tag not in set(tags)),
        expectations=expectations,
        findings=findings,
        causes=causes,
        histories=_histories(parts, findings, acceptances),
        complete=complete,
        reason=reason,
    )


def _groups(part: Part) -> Mapping[Group, list[Finding]]:
    """Findings of a run by check and subject, without devices that it left out or did not get done."""
    groups: dict[Group, list[Finding]] = {}
    for finding in part.findings:
        on_device = finding.subject in part.map_order
        if on_device and finding.subject not in part.done and family_of(finding.check) != _BY_PEOPLE:
            continue
        groups.setdefault((finding.check, finding.subject), []).append(finding)
    return groups


def _current(parts: Sequence[Part]) -> dict[Group, tuple[int, list[Finding]]]:
    """By check and subject: which part has the last word, and its findings."""
    current: dict[Group, tuple[int, list[Finding]]] = {}
    ever = {tag for part in parts for tag in part.tags}
    for number, part in enumerate(parts):
        for group, found in _groups(part).items():
            if group[1] in part.map_order:
                current[group] = (number, found)
            else:
                current[group] = _of_lineup(current.get(group), number, found, part, ever)
    _void_of_other_units(current, parts)
    for number, part in enumerate(parts):  # devices that no run got done: the last that tried says why
        for finding in part.findings:
            group = (finding.check, finding.subject)
            undone = finding.subject in part.tags and not any(finding.subject in p.done for p in parts)
            if undone and family_of(finding.check) != _BY_PEOPLE:
                held = current.get(group)
                fresh = held is None or held[0] != number
                current[group] = (number, [finding] if fresh or held is None else [*held[1], finding])
    return current


def _of_lineup(
    before: tuple[int, list[Finding]] | None,
    number: int,
    found: list[Finding],
    part: Part,
    ever: set[str],
) -> tuple[int, list[Finding]]:
    """Findings on the lineup: older ones stay unless this part covers all devices that they are about."""
    if before is None:
        return number, found
    stay = [one for one in before[1] if one.verdict is not Verdict.PASS and not _covers(part, one, ever)]
    if not stay:
        return number, found
    fresh = {one.id: one for one in found}
    kept = [one for one in stay if one.id not in fresh or not _as_bad(fresh[one.id], one)]
    ids = {one.id for one in kept}
    return number, [*kept, *(one for one in found if one.id not in ids)]


def _as_bad(new: Finding, old: Finding) -> bool:
    """Whether the new verdict is no better than the old one, so that it may stand in its place."""
    return WORST_FIRST.index(new.verdict) <= WORST_FIRST.index(old.verdict)


def _covers(part: Part, finding: Finding, ever: set[str]) -> bool:
    """Whether the part repeated the check, on every device that the finding on the lineup is about.

    ever: the tags of all runs. A retest was planned with all devices that its checks need.
    """
    if family_of(finding.check) == _BY_PEOPLE:
        return True
    if part.checks and family_of(finding.check) != _OF_EVERY_RUN:
        return f"{finding.check}@{finding.subject}" in part.checks and set(part.tags) <= part.done
    about = {finding.point} & set(part.map_order) or ever
    return about <= part.done


def _void_of_other_units(current: dict[Group, tuple[int, list[Finding]]], parts: Sequence[Part]) -> None:
    """What a run said of a device counts no more when a later one read another identity there.

    A unit that was exchanged, or got another firmware, has not been tested by what passed before it.
    """
    read = [_identities(part) for part in parts]
    for (check, tag), (number, found) in list(current.items()):
        was = read[number].get(tag, {})
        later = [one[tag] for one in read[number + 1 :] if tag in one]
        changed = [name for now in later for name, seen in now.items() if was.get(name, seen) != seen]
        if changed:
            current[check, tag] = (number, [_void(one, changed[0]) for one in found])


def _identities(part: Part) -> dict[str, dict[str, str]]:
    """By device: what it said of itself, by check, where the run got it done."""
    said: dict[str, dict[str, str]] = {}
    for one in part.findings:
        if one.subject in part.done and family_of(one.check) == "identity" and one.observed:
            said.setdefault(one.subject, {})[one.check] = one.observed
    return said


def _void(finding: Finding, changed: str) -> Finding:
    """The finding as not tested; the same object where it was that already."""
    if finding.verdict is Verdict.NOT_TESTED:
        return finding
    what = changed.partition(".")[2].replace("_", " ")
    title = finding.title
    with suppress(InputError, KeyError):  # a check of another version keeps the title that it had
        title = get(finding.check).title
    return finding._replace(
        verdict=Verdict.NOT_TESTED,
        title=f"{title}: not tested, another {what} answered in a later run, so this was another unit",
        observed="",
        expected="",
        uncertainty="",
        advice="Audit the device whole: buswitness audit MAP --only TAG.",
    )


def _ordered(
    current: Mapping[Group, tuple[int, list[Finding]]], parts: Sequence[Part]
) -> tuple[Finding, ...]:
    """All findings in the map's order, the lineup last, with the numbers and causes of the merged record."""
    place = {tag: number for number, tag in enumerate(parts[-1].map_order)}
    home = {id(one): number for number, part in enumerate(parts) for one in part.findings}
    found = [
        _renumbered(one, home.get(id(one), number), parts)
        for number, group in current.values()
        for one in group
    ]
    return tuple(sorted(found, key=lambda f: (place.get(f.subject, len(place)), -f.danger)))


def _renumbered(finding: Finding, number: int, parts: Sequence[Part]) -> Finding:
    part = parts[number]
    return finding._replace(
        evidence=tuple(part.offset + line for line in finding.evidence),
        cause=None if finding.cause is None else f"{number + 1}.{finding.cause}",
    )


def _causes(current: Mapping[Group, tuple[int, list[Finding]]], parts: Sequence[Part]) -> tuple[Cause, ...]:
    """Causes that still explain something, named by run and number."""
    ids_of: dict[int, set[str]] = {}
    home = {id(one): number for number, part in enumerate(parts) for one in part.findings}
    for number, group in current.values():
        for one in group:
            ids_of.setdefault(home.get(id(one), number), set()).add(one.id)
    kept = []
    for number, part in enumerate(parts):
        for cause in part.causes:
            explains = tuple(name for name in cause.explains if name in ids_of.get(number, set()))
            if explains:
                kept.append(replace(cause, id=f"{number + 1}.{cause.id}", explains=explains))
    return tuple(kept)


def _expectations(parts: Sequence[Part]) -> tuple[Expectation, ...]:
    """All that any run had to give a verdict on, each once, required if any run required it."""
    required: dict[Group, bool] = {}
    for part in parts:
        for one in part.expectations:
            by_people = family_of(one.check) == _BY_PEOPLE
            if by_people or one.subject in part.tags or one.subject not in part.map_order:
                name = (one.check, one.subject)
                required[name] = required.get(name, False) or one.required
    ordered = sorted(required.items(), key=lambda item: _place(item[0][1], parts))
    return tuple(Expectation(check=c, subject=s, required=needed) for (c, s), needed in ordered)


def _place(subject: str, parts: Sequence[Part]) -> int:
    order = parts[-1].map_order
    return order.index(subject) if subject in order else len(order)


def _complete(
    parts: Sequence[Part],
    tags: Iterable[str],
    findings: Sequence[Finding],
    expectations: Sequence[Expectation],
) -> tuple[bool, str]:
    undone = [tag for tag in tags if not any(tag in part.done for part in parts)]
    if undone:
        return False, f"no run got these devices done: {_listed(undone)}"
    missing = untested_required(findings, expectations)
    if missing:
        subjects = list(dict.fromkeys(one.subject for one in missing))
        return False, f"{len(missing)} required verdicts could not be given: {_listed(subjects)}"
    return True, ""


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names[:5]) + (f" and {len(names) - 5} more" if len(names) > 5 else "")


def _histories(
    parts: Sequence[Part], findings: Sequence[Finding], acceptances: Sequence[Acceptance]
) -> tuple[History, ...]:
    """The history of each finding that was ever anything but a pass, in the order of the findings."""
    grouped = [_groups(part) for part in parts]
    ever: dict[str, Group] = {}
    for groups in grouped:
        for group, found in groups.items():
            for one in found:
                if one.verdict is not Verdict.PASS:
                    ever.setdefault(one.id, group)
    now = {finding.id: finding for finding in findings}
    for finding in findings:  # also of devices that no run got done
        if finding.verdict is not Verdict.PASS:
            ever.setdefault(finding.id, (finding.check, finding.subject))
    return tuple(_history(name, group, parts, grouped, now, acceptances) for name, group in ever.items())


def _history(
    name: str,
    group: Group,
    parts: Sequence[Part],
    grouped: Sequence[Mapping[Group, list[Finding]]],
    now: Mapping[str, Finding],
    acceptances: Sequence[Acceptance],
) -> History:
    stages = tuple(
        stage
        for number, (part, groups) in enumerate(zip(parts, grouped, strict=True), 1)
        if (stage := _stage(name, number, part, groups.get(group, []))) is not None
    )
    accepted = tuple(one for one in acceptances if one.finding == name and _is_of(one, parts))
    return History(
        finding=name,
        stages=stages,
        accepted=accepted,
        disposition=_disposition(now.get(name), stages, accepted),
    )


def _is_of(acceptance: Acceptance, parts: Sequence[Part]) -> bool:
    """Whether the acceptance is of one of these runs and of what that run really found."""
    return any(
        part.code == acceptance.code and any(acceptance.covers(finding) for finding in part.findings)
        for part in parts
    )


def _disposition(finding: Finding | None, stages: Sequence[Stage], accepted: Sequence[Acceptance]) -> str:
    if finding is None:  # no longer found: the check as a whole has the last word
        return "closed" if stages and stages[-1].verdict is Verdict.PASS else "open"
    if finding.verdict is Verdict.PASS:
        return "closed"
    return "accepted" if any(one.covers(finding) for one in accepted) else "open"


def _stage(name: str, number: int, part: Part, group: Sequence[Finding]) -> Stage | None:
    """What the part says of the finding; None if it did not come to the check."""
    if not group:
        return None
    own = next((one for one in group if one.id == name), None)
    shown = own or group[0]
    return Stage(
        source=number,
        verdict=shown.verdict if own else worst([one.verdict for one in group]),
        title=shown.title,
        observed=shown.observed,
        expected=shown.expected,
        gone=own is None,
        at_wall_ns=part.started_wall_ns,
        operator=part.operator,
        key=part.key,
        evidence=tuple(part.offset + line for line in shown.evidence),
    )
