"""Dossier: everything that the document says of a record, taken from its evidence once; no words yet.

Verdicts are those that the record holds. Readings, clock intervals and reply times are decoded again from
the raw bytes, by the map and profiles in the record; whether the same verdicts come out again is told too.
In a merged record each device is shown by the last run that got it done, and by what earlier runs read of the
same unit where that one asked for less.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from probe.judge.clock_state import ClockVerdict
from probe.judge.context import DeviceContext
from probe.judge.expectation import subject_of
from probe.judge.facts import Reach
from probe.judge.repeat import repeat_of
from probe.judge.run_context import RunContext
from probe.judge.settings.as_found import as_found
from probe.judge.settings.device_checks import rows_of, why_no_rows
from probe.judge.settings.pairs import Bands, all_coordinations
from probe.model.device_evidence import DeviceEvidence, RunEvidence
from probe.model.device_map import Device, DeviceMap, Target
from probe.model.evidence import JUDGED, Anchor, Connect, ConnectOutcome, Disconnect, Exchange, Note, Outcome
from probe.model.finding import Finding, Verdict, worst
from probe.model.lineup import Lineup
from probe.model.profile import Point, Profile
from probe.model.reading import Reading
from probe.record.content import RecordContent
from probe.record.rederive import rederive
from probe.record.rejudge import Evidence
from probe.record.settings_view import DeviceSettings, SettingsView


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """One attempt. at_s: into the run; reply_ms: until the answer, or until waiting ended."""

    at_s: float
    reply_ms: float
    outcome: Outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceDossier:
    """One device. run: number of the record inside a merged one that it is shown by, 0 otherwise."""

    device: Device
    profile: Profile
    target: Target
    verdict: Verdict
    findings: tuple[Finding, ...]
    readings: Mapping[str, tuple[Point, Reading]] = field(default_factory=dict)
    replies: tuple[Reply, ...] = ()
    clock: ClockVerdict | None = None
    reach: Reach = Reach.NOT_TRIED
    neighbour: str = ""
    run: int = 0
    settings: DeviceSettings | None = None

    @property
    def tag(self) -> str:
        """Its name on the drawings."""
        return self.device.tag


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkDossier:
    """One connection, by all devices that share it. refused: attempts to open it that did not succeed."""

    link: str
    tags: tuple[str, ...]
    opened: int
    refused: int
    closed_by_peer: int
    local: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Dossier:
    """The record as the document tells it. equal: whether the recorded verdicts came out again.

    differences: how many did not; None: not judged again (a merged record: each run was, in its own place).
    derived: the run was killed before it gave verdicts; those in ``content`` follow from its evidence.
    finished_wall_ns: 0 if the record holds no last anchor.
    """

    content: RecordContent
    lineup: Lineup
    devices: tuple[DeviceDossier, ...]
    left_out: tuple[Device, ...]
    lineup_findings: tuple[Finding, ...]
    links: tuple[LinkDossier, ...]
    verdict: Verdict
    complete: bool
    why_incomplete: str
    finished_wall_ns: int
    requests: int
    differences: int | None
    settings: SettingsView | None
    notes: tuple[Note, ...]
    derived: bool = False

    @property
    def map(self) -> DeviceMap:
        """The device map in the record."""
        return self.lineup.map

    @property
    def by_tag(self) -> dict[str, DeviceDossier]:
        """Devices by tag."""
        return {one.tag: one for one in self.devices}


#: One run: number inside a merged record (0 for the record itself), what it holds, its lineup.
_Run = tuple[int, RecordContent, Lineup]


def dossier(
    content: RecordContent,
    lineup: Lineup,
    runs: Sequence[RecordContent],
    lineup_of: Callable[[RecordContent], Lineup],
    *,
    version: str,
) -> Dossier:
    """The dossier of a record. runs: the records inside a merged one, none for others."""
    inside = [(n, run) for n, run in enumerate(runs, 1) if run.header.map_texts]  # others only accept
    judged: list[_Run] = [(n, run, lineup_of(run)) for n, run in inside] or [(0, content, lineup)]
    seen = {number: _Seen(run, its_lineup, version) for number, run, its_lineup in judged}
    derived = content.seal is None and not content.findings and not runs
    if derived:
        conclusion = seen[0].conclusion
        content = replace(content, findings=conclusion.findings, causes=conclusion.causes)
    by_subject = _by_subject(content.findings)
    devices = tuple(
        _device(lineup.map.by_tag[tag], lineup, by_subject.get(tag, ()), seen)
        for tag in content.header.scope.tags
        if tag in lineup.map.by_tag
    )
    complete = content.seal is not None and content.seal.complete
    tags = {device.tag for device in lineup.map.devices}
    return Dossier(
        content=content,
        lineup=lineup,
        devices=devices,
        left_out=tuple(d for d in lineup.map.devices if d.tag in content.header.scope.left_out),
        lineup_findings=tuple(f for f in content.findings if f.subject not in tags),
        links=tuple(_links(devices, seen.values())),
        verdict=_overall(content, complete=complete),
        complete=complete,
        why_incomplete="" if content.seal is None else content.seal.reason,
        finished_wall_ns=max((one.finished_wall_ns for one in seen.values()), default=0),
        requests=sum(one.requests for one in seen.values()),
        differences=None if runs or derived else seen[0].differences,
        derived=derived,
        settings=_settings_view(devices, content, lineup),
        notes=tuple(note for one in seen.values() for note in one.notes),
    )


class _Seen:
    """What one run saw, sorted by device."""

    def __init__(self, content: RecordContent, lineup: Lineup, version: str) -> None:
        self.lineup = lineup
        self.scope = content.header.scope
        again = rederive(content, lineup, version=version)
        self.differences = len(again.differences) + again.causes_differ
        self.conclusion = again.conclusion
        self.clocks = {one.tag: one for one in again.conclusion.clocks}
        self._evidence = Evidence(content, lineup)
        self._run: RunEvidence = self._evidence.of_run()
        self._context = RunContext(lineup, self._run)
        self.done = frozenset(self._evidence.judged_at)
        self._repeat = repeat_of(self.scope)
        self._identities: dict[str, dict[str, str]] = {}
        for one in content.findings or again.conclusion.findings:
            if one.check.startswith("identity.") and one.observed:
                self._identities.setdefault(one.subject, {})[one.check] = one.observed
        anchors = content.evidence.get(Anchor, ())
        exchanges = content.evidence.get(Exchange, ())
        self.finished_wall_ns: int = anchors[-1][1].wall_ns if anchors else 0
        if anchors and content.seal is None:  # killed: no anchor tells its end, the last answer does
            end_ns = max((one.received_ns for _, one in exchanges), default=0)
            self.finished_wall_ns += max(end_ns - anchors[-1][1].at_ns, 0)
        self.requests = sum(one.outcome is not Outcome.NOT_SENT for _, one in exchanges)
        self.notes = tuple(note for _, note in content.evidence.get(Note, ()) if note.topic != JUDGED)
        self.connects: Sequence[tuple[int, Connect]] = content.evidence.get(Connect, ())
        self.disconnects: Sequence[tuple[int, Disconnect]] = content.evidence.get(Disconnect, ())

    def identity_of(self, tag: str) -> Mapping[str, str]:
        """What the device said of itself, by check."""
        return self._identities.get(tag, {})

    def read_settings(self, tag: str) -> bool:
        """Whether the run was to read the device's settings."""
        if self.scope.clocks_only:
            return False
        asked = None if self._repeat is None else self._repeat.asked(tag)
        return asked is None or asked.settings or asked.values

    def evidence_of(self, tag: str) -> DeviceEvidence:
        """What was known of the device when it was judged."""
        return self._evidence.of_device(tag)

    def context_of(self, tag: str) -> DeviceContext:
        """The device's evidence, ready to be decoded."""
        return DeviceContext(
            subject_of(self.lineup, self.scope, tag), self._evidence.of_device(tag), self._context
        )


def _device(
    device: Device, lineup: Lineup, findings: Sequence[Finding], seen: Mapping[int, _Seen]
) -> DeviceDossier:
    """One device, by the last run that got it done, or else the last that tried."""
    tag = device.tag
    tried = [number for number, one in seen.items() if tag in one.scope.tags]
    done = [number for number in tried if tag in seen[number].done]
    facts = {
        "device": device,
        "profile": lineup.profile_of(device),
        "target": lineup.map.target(tag),
        "verdict": worst([finding.verdict for finding in findings]),
        "findings": tuple(findings),
    }
    if not tried:
        return DeviceDossier(**facts)  # type: ignore[arg-type]
    number = (done or tried)[-1]
    runs = [seen[n] for n in _of_one_unit(done or tried, seen, tag)]
    contexts = [run.context_of(tag) for run in runs]
    context = contexts[-1]
    neighbours = [one.hardware_address for one_ in contexts for _, one in one_.evidence.neighbours]
    clocks = [run.clocks[tag] for run in runs if tag in run.clocks]
    with_settings = [one for one, run in zip(contexts, runs, strict=True) if run.read_settings(tag)]
    return DeviceDossier(
        **facts,  # type: ignore[arg-type]
        readings={name: pair for one in contexts for name, pair in _readings(one).items()},
        replies=tuple(_replies(context)),
        clock=clocks[-1] if clocks else None,
        reach=context.reach,
        neighbour=neighbours[-1] if neighbours else "",
        run=number,
        settings=_settings_of(with_settings[-1], findings) if with_settings else None,
    )


def _of_one_unit(runs: Sequence[int], seen: Mapping[int, _Seen], tag: str) -> list[int]:
    """The last runs that all met the same unit: a retest of single checks adds to what was read before."""
    same = [runs[-1]]
    now = seen[runs[-1]].identity_of(tag)
    for number in reversed(runs[:-1]):
        was = seen[number].identity_of(tag)
        if any(was.get(check, said) != said for check, said in now.items()):
            break
        same.insert(0, number)
    return same


def _settings_of(context: DeviceContext, findings: Sequence[Finding]) -> DeviceSettings | None:
    """The device's settings, if its profile has any; without values where the judge gave none a verdict."""
    if context.profile.settings is None and context.tag not in context.lineup.studies:
        return None
    told = [f for f in findings if f.check == "settings.study"]
    if told and all(f.verdict is Verdict.NOT_TESTED for f in told):
        return DeviceSettings(tag=context.tag, why=told[0].title.partition(": not tested, ")[2])
    if not context.blocks:
        return DeviceSettings(tag=context.tag, why=context.why_nothing())
    return DeviceSettings(
        tag=context.tag, rows=rows_of(context), found=as_found(context), why=why_no_rows(context)
    )


def _settings_view(
    devices: Sequence[DeviceDossier], content: RecordContent, lineup: Lineup
) -> SettingsView | None:
    """All settings beside the study, with breakers in series; None where no device has any."""
    own = tuple(one.settings for one in devices if one.settings is not None)
    if not own:
        return None
    bands = Bands(lineup=lineup, found={one.tag: one.found for one in own if one.found is not None})
    return SettingsView(
        lineup=lineup,
        code=content.code,
        devices=own,
        coordinations=tuple(all_coordinations(bands, frozenset(content.header.scope.tags)))
        if lineup.studies
        else (),
    )


def _readings(context: DeviceContext) -> dict[str, tuple[Point, Reading]]:
    """The last reading of each point that was read, good or not."""
    return {
        point.name: (point, readings[-1])
        for point in context.profile.points
        if (readings := context.readings(point.name))
    }


def _replies(context: DeviceContext) -> Iterable[Reply]:
    for _, exchange in context.sent:
        yield Reply(at_s=exchange.sent_ns / 1e9, reply_ms=exchange.reply_ns / 1e6, outcome=exchange.outcome)


def _links(devices: Sequence[DeviceDossier], seen: Iterable[_Seen]) -> Iterable[LinkDossier]:
    """Each link with how often it was opened and closed, in the map's order."""
    tags: dict[str, list[str]] = {}
    for one in devices:
        tags.setdefault(one.target.link, []).append(one.tag)
    opened: dict[str, list[Connect]] = {}
    closed: dict[str, int] = {}
    for run in seen:
        for _, connect in run.connects:
            opened.setdefault(connect.host, []).append(connect)
        for _, disconnect in run.disconnects:
            closed[disconnect.host] = closed.get(disconnect.host, 0) + disconnect.by_peer
    for link, own in tags.items():
        attempts = opened.get(link, [])
        good = [one for one in attempts if one.outcome is ConnectOutcome.OPEN]
        yield LinkDossier(
            link=link,
            tags=tuple(own),
            opened=len(good),
            refused=len(attempts) - len(good),
            closed_by_peer=closed.get(link, 0),
            local=tuple(dict.fromkeys(_without_port(one.local) for one in good if one.local)),
        )


def _without_port(local: str) -> str:
    return local.rpartition(":")[0] or local


def _by_subject(findings: Iterable[Finding]) -> dict[str, list[Finding]]:
    groups: dict[str, list[Finding]] = {}
    for finding in findings:
        groups.setdefault(finding.subject, []).append(finding)
    return groups


def _overall(content: RecordContent, *, complete: bool) -> Verdict:
    """The verdict of the whole: fail, or not tested for what is incomplete, before any pass."""
    found = {finding.verdict for finding in content.findings}
    if Verdict.FAIL in found:
        return Verdict.FAIL
    spoken_of = {finding.subject for finding in content.findings}
    if not complete or not spoken_of.issuperset(content.header.scope.tags):
        return Verdict.NOT_TESTED
    return Verdict.REVIEW if Verdict.REVIEW in found else Verdict.PASS
