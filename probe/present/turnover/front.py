"""Front: cover, contents, and the result at a glance."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import PurePosixPath

from probe.judge.wording import count, some
from probe.model.finding import WORST_FIRST, Verdict, worst
from probe.present.turnover.blocks import Block, Cell, Column, Cover, Heading, Table, Text
from probe.present.turnover.dossier import Dossier
from probe.present.turnover.gear_drawing import gear_drawings
from probe.present.turnover.project import Project
from probe.present.turnover.texts import Texts
from probe.record.seal import spoken
from probe.record.signing import fingerprint


def cover(dossier: Dossier, project: Project, t: Texts) -> Cover:
    """The first page."""
    return Cover(
        over=t("cover.over"),
        title=dossier.content.header.lineup,
        site=dossier.content.header.site,
        verdict=dossier.verdict,
        said=_said(dossier, t),
        counts=tuple(_counts(dossier, t)),
        facts=tuple((name, text) for name, text in _facts(dossier, project, t) if text),
        codes=(t("cover.code"), t("cover.map"), *((t("cover.key"),) if _public(dossier) else ())),
        note_title=t("cover.note_title"),
        notes=tuple(_notes(dossier, t)),
    )


def _said(dossier: Dossier, t: Texts) -> str:
    counts = _counted(dossier)
    word = "device" if dossier.devices else "finding"
    return t(
        f"cover.said_{dossier.verdict.name.lower()}",
        failed=counts[Verdict.FAIL],
        devices=count(sum(counts.values()), word),
    )


def _counted(dossier: Dossier) -> Counter[Verdict]:
    """Devices by verdict; findings of a run that asked no device (a checklist)."""
    if dossier.devices:
        return Counter(one.verdict for one in dossier.devices)
    return Counter(finding.verdict for finding in dossier.content.findings)


def _counts(dossier: Dossier, t: Texts) -> Iterable[tuple[Verdict, str]]:
    counts = _counted(dossier)
    for verdict in WORST_FIRST:
        yield verdict, str(counts[verdict])


def _facts(dossier: Dossier, project: Project, t: Texts) -> Iterable[tuple[str, str]]:
    content, header = dossier.content, dossier.content.header
    scope = header.scope
    yield t("cover.project"), " · ".join(filter(None, (project.number, project.project)))
    yield (
        t("cover.document"),
        " · ".join(
            filter(
                None, (project.document, project.revision and t("cover.revision", revision=project.revision))
            )
        ),
    )
    yield t("cover.client"), project.client or ""
    yield t("cover.contractor"), project.contractor or ""
    yield t("cover.begun"), _span(dossier)
    yield t("cover.operator"), header.operator
    yield (
        t("cover.scope"),
        t(
            "cover.scope_text",
            tested=count(len(scope.tags), "device"),
            whole=len(dossier.map.devices),
            way=way(dossier, t),
        ),
    )
    yield t("cover.first"), _first_pass(dossier, t)
    yield t("cover.code"), spoken(content.code) if content.seal is not None else t("cover.no_seal")
    public = _public(dossier)
    yield t("cover.key"), spoken(fingerprint(public)) if public else t("cover.no_key")
    first = header.map_texts[0] if header.map_texts else None
    yield t("cover.map"), f"{spoken(first.sha256)}  {PurePosixPath(first.name).name}" if first else ""


def _public(dossier: Dossier) -> str:
    """The key that sealed the record, empty for none."""
    return dossier.content.seal.public if dossier.content.seal is not None else ""


def _span(dossier: Dossier) -> str:
    begun = dossier.content.header.started_wall_ns
    if dossier.content.runs:
        begun = min(run.header.started_wall_ns for run in dossier.content.runs)
    end = dossier.finished_wall_ns
    return moment(begun) + (f" – {moment(end, short=moment(begun)[:10])}" if end > begun else "")


def moment(wall_ns: int, *, short: str = "") -> str:
    """Date and time in UTC to the second. short: a date that need not be said again."""
    try:
        whole = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=wall_ns // 1_000_000_000)
    except OverflowError:
        return "not a date"
    text = f"{whole:%Y-%m-%d %H:%M:%S} UTC"
    return text.removeprefix(f"{short} ") if short else text


def way(dossier: Dossier, t: Texts) -> str:
    """How deep the run went, in words."""
    scope = dossier.content.header.scope
    if scope.checks:
        return t("way.retest")
    if scope.sheets:
        return t("way.sheets")
    if scope.survey is not None:
        return t("way.survey")
    if scope.clocks_only:
        return t("way.clocks")
    if scope.settings_only:
        return t("way.settings")
    if scope.quick:
        return t("way.quick")
    return t("way.dwell", seconds=f"{scope.dwell_s:g}") if scope.dwell_s else t("way.two")


def _first_pass(dossier: Dossier, t: Texts) -> str:
    """What a merged record said at first: a retest until it is green is seen on the cover."""
    histories = dossier.content.histories
    if not dossier.content.is_merged:
        return ""
    first = [one.stages[0].verdict for one in histories if one.stages]
    still = [one for one in histories if one.disposition == "open"]
    accepted = [one for one in histories if one.disposition == "accepted"]
    return t(
        "cover.first_text",
        runs=count(sum(bool(run.header.map_texts) for run in dossier.content.runs), "run"),
        failed=sum(verdict is Verdict.FAIL for verdict in first),
        untested=sum(verdict is Verdict.NOT_TESTED for verdict in first),
        open=len(still),
        accepted=len(accepted),
    )


def _notes(dossier: Dossier, t: Texts) -> Iterable[str]:
    """What was not tested, in a few lines; never empty."""
    content = dossier.content
    if content.seal is None:
        yield t("cover.note_open")
        if dossier.derived:
            yield t("cover.note_derived")
    elif not dossier.complete:
        yield t("cover.note_incomplete", reason=dossier.why_incomplete or t("cover.no_reason"))
    untested = [f for f in content.findings if f.verdict is Verdict.NOT_TESTED]
    left_out = {device.tag for device in dossier.left_out}
    missing = [f for f in untested if f.subject not in left_out]
    if missing:
        subjects = list(dict.fromkeys(f.subject for f in missing))
        yield t(
            "cover.note_untested",
            verdicts=count(len(missing), "verdict"),
            devices=count(len(subjects), "device" if dossier.devices else "subject"),
            tags=some(subjects, 8),
        )
    if dossier.left_out:
        tags = [device.tag for device in dossier.left_out]
        yield t("cover.note_left_out", devices=count(len(tags), "device"), tags=some(tags, 8))
    scope = content.header.scope
    for wanted, note in (
        (scope.quick, "quick"), (scope.clocks_only, "clocks"), (scope.settings_only, "settings"),
        (scope.survey is not None, "survey"),
    ):  # fmt: skip
        if wanted:
            yield t(f"cover.note_{note}")
    yield t("cover.note_never")


def result(dossier: Dossier, t: Texts, width: float) -> Iterable[Block]:
    """The lineup as a picture, verdicts by section, counts."""
    yield Heading(text=t("result.heading"), mark="result")
    if dossier.devices:
        yield from _lineup(dossier, t, width)
    yield Heading(text=t("result.counts"), level=2)
    yield _totals(dossier, t)


def _lineup(dossier: Dossier, t: Texts, width: float) -> Iterable[Block]:
    """The lineup as a picture, and its sections."""
    yield Text(text=t("result.intro"))
    verdicts: dict[str, Verdict | None] = {one.tag: one.verdict for one in dossier.devices}
    yield from gear_drawings(dossier.map.devices, verdicts, width, t)
    yield Heading(text=t("result.sections"), level=2)
    yield _sections(dossier, t)


def _sections(dossier: Dossier, t: Texts) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for section in dossier.map.sections:
        own = [one for one in dossier.devices if one.device.section == section]
        if not own:
            rows.append((section, "–", "–", "–", "–", "–", t("gear.left_out")))
            continue
        counts = Counter(one.verdict for one in own)
        numbers = [str(counts[verdict] or "–") for verdict in WORST_FIRST]
        rows.append((section, str(len(own)), *numbers, worst({one.verdict for one in own})))
    return Table(
        title=t("result.sections"),
        columns=(
            Column(t("column.section"), 1),
            Column(t("column.devices"), right=True),
            *(Column(t(f"verdict.{verdict.name.lower()}"), right=True) for verdict in WORST_FIRST),
            Column(t("column.verdict")),
        ),
        rows=tuple(rows),
    )


def _totals(dossier: Dossier, t: Texts) -> Table:
    devices = Counter(one.verdict for one in dossier.devices)
    findings = Counter(finding.verdict for finding in dossier.content.findings)
    return Table(
        title=t("result.counts"),
        columns=(
            Column(t("column.verdict")),
            Column(t("column.devices"), right=True),
            Column(t("column.findings"), right=True),
            Column(t("column.meaning"), 1),
        ),
        rows=tuple(
            (v, str(devices[v]), str(findings[v]), t(f"meaning.{v.name.lower()}")) for v in WORST_FIRST
        ),
    )
