"""Conditions: with what was measured (computer, tool, reference clock), the clocks, and the network."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import PurePosixPath

from probe.judge.wording import some, span
from probe.model.evidence import Outcome
from probe.model.finding import Verdict
from probe.present.phrase import finding_phrase
from probe.present.turnover.blocks import Block, Cell, Column, Facts, Heading, Table, Text
from probe.present.turnover.dossier import DeviceDossier, Dossier
from probe.present.turnover.front import moment
from probe.present.turnover.plots import bounds, clocks_plot, seconds
from probe.present.turnover.texts import Texts
from probe.record.seal import spoken

_ANSWERS = (Outcome.DATA, Outcome.EXCEPTION)


def instruments(dossier: Dossier, t: Texts) -> Iterable[Block]:
    """The computer, its clock, the tool, and what the tool says of the run itself."""
    yield Heading(text=t("instrument.heading"), mark="instrument")
    header = dossier.content.header
    instrument = header.instrument
    pairs = [
        (t("instrument.computer"), instrument.host_name),
        (t("instrument.system"), instrument.system),
        (t("instrument.tool"), f"buswitness {header.tool_version}, Python {instrument.python}"),
        (t("instrument.code"), spoken(header.tool_code) if header.tool_code else ""),
        (t("instrument.clock"), instrument.clock),
        (t("instrument.reference"), reference(dossier, t)),
        *((t("instrument.address") if n == 0 else "", text) for n, text in enumerate(instrument.addresses)),
        (t("instrument.command"), "buswitness " + " ".join(header.command)),
        (t("instrument.requests"), f"{dossier.requests:,}".replace(",", " ")),
    ]
    pairs += [
        (
            t("instrument.map") if n == 0 else t("instrument.include"),
            f"{_name(one.name)}, {spoken(one.sha256)}",
        )
        for n, one in enumerate(header.map_texts)
    ]
    profiles = ", ".join(PurePosixPath(text.name).stem for text in header.profile_texts)
    pairs.append((t("instrument.profiles"), profiles))
    yield Facts(pairs=tuple(pair for pair in pairs if pair[1]), codes=(t("instrument.code"),))
    yield Text(text=t("instrument.same"), manner="small")
    for run in dossier.content.runs:
        if not run.header.map_texts:
            continue  # an acceptance, which is told where it counts
        yield Facts(
            pairs=(
                (t("instrument.run"), moment(run.header.started_wall_ns)),
                (t("instrument.computer"), run.header.instrument.host_name),
                (t("instrument.clock"), run.header.instrument.clock),
                (t("cover.operator"), run.header.operator),
                (t("cover.code"), spoken(run.code)),
            )
        )
    if dossier.notes:
        yield Heading(text=t("instrument.notes"), level=2)
        yield Table(
            title=t("instrument.notes"),
            columns=(
                Column(t("column.time"), right=True),
                Column(t("column.topic")),
                Column(t("column.what"), 1),
            ),
            rows=tuple((f"{one.at_ns / 1e9:.1f} s", one.topic, one.text) for one in dossier.notes[:60]),
            small=True,
        )


def _name(text: str) -> str:
    return PurePosixPath(text).name


def reference(dossier: Dossier, t: Texts) -> str:
    """The reference clock in words, with its verdict."""
    wanted = _reference_name(dossier)
    found = next((f for f in dossier.lineup_findings if f.check == "run.reference"), None)
    if found is None:
        return wanted
    verdict = t(f"verdict.{found.verdict.name.lower()}")
    return f"{wanted}: {verdict}. {finding_phrase(found)}"


def _reference_name(dossier: Dossier) -> str:
    """The reference as people call it: a device by its tag."""
    return dossier.map.clock.reference_words.removeprefix("tag:")


def clocks(dossier: Dossier, t: Texts, width: float) -> Iterable[Block]:
    """Every clock against its tolerance: as a picture and as numbers."""
    due = [one for one in dossier.devices if one.clock is not None]
    if not due and dossier.content.header.scope.settings_only:
        return
    yield Heading(text=t("clocks.heading"), mark="clocks", new_page=bool(due))
    if not due:
        yield Text(text=t("clocks.none"))
        return
    clock = dossier.map.clock
    yield Text(
        text=t(
            "clocks.intro",
            reference=_reference_name(dossier),
            tolerance=seconds(clock.tolerance_s),
            drift=f"{clock.drift_ppm:g}",
        )
    )
    measured = [
        (one.tag, one.clock.state.offset_s, one.clock.state.tolerance_s, one.clock.verdict)
        for one in due
        if one.clock is not None and one.clock.state is not None and one.clock.state.offset_s is not None
    ]
    for start in range(0, len(measured), 45):
        drawing = clocks_plot(measured[start : start + 45], t, width=width)
        if drawing is not None:
            yield drawing
    yield Table(
        title=t("clocks.heading"),
        columns=(
            Column(t("column.verdict")),
            Column(t("column.subject")),
            Column(t("column.offset"), right=True),
            Column(t("column.tolerance"), right=True),
            Column(t("column.step"), right=True),
            Column(t("column.readings"), right=True),
            Column(t("column.said"), 1),
        ),
        rows=tuple(_clock(one) for one in due),
        small=True,
    )


def _clock(one: DeviceDossier) -> tuple[Cell, ...]:
    clock = one.clock
    assert clock is not None
    state = clock.state
    if state is None:
        return (
            clock.verdict,
            one.tag,
            "–",
            "–",
            "–",
            "–",
            clock.cause.partition(": not tested, ")[2] or clock.cause,
        )
    offset = bounds(state.offset_s) if state.offset_s is not None else "–"
    drift = state.drift_ppm
    said = clock.cause + (f"; {drift.low:+.0f} to {drift.high:+.0f} ppm" if drift is not None else "")
    return (
        clock.verdict,
        one.tag,
        offset,
        f"± {seconds(state.tolerance_s)}",
        span(state.resolution_s),
        str(state.readings),
        said,
    )


def network(dossier: Dossier, t: Texts) -> Iterable[Block]:
    """Subnets, connections, reply times and losses of each device."""
    yield Heading(text=t("network.heading"), mark="network", new_page=True)
    if dossier.map.networks:
        yield Table(
            title=t("network.subnets"),
            columns=(
                Column(t("column.network"), 1),
                Column(t("column.subnet"), 1),
                Column(t("column.router"), 1),
            ),
            rows=tuple((n.name, str(n.subnet), str(n.router or "–")) for n in dossier.map.networks),
        )
    yield Heading(text=t("network.links"), level=2)
    yield Text(text=t("network.links_intro"))
    yield Table(
        title=t("network.links"),
        columns=(
            Column(t("column.link")),
            Column(t("column.subject"), 1),
            Column(t("column.opened"), right=True),
            Column(t("column.not_opened"), right=True),
            Column(t("column.closed"), right=True),
            Column(t("column.from")),
        ),
        rows=tuple(
            (
                link.link,
                some(link.tags, 8),
                str(link.opened),
                str(link.refused or "–"),
                str(link.closed_by_peer or "–"),
                ", ".join(link.local) or "–",
            )
            for link in dossier.links
        ),
        small=True,
    )
    yield Heading(text=t("network.replies"), level=2)
    yield Text(text=t("network.replies_intro", limit=f"{dossier.map.tolerances.reply_ms:g}"))
    yield Table(
        title=t("network.replies"),
        columns=(
            Column(t("column.verdict")),
            Column(t("column.subject")),
            Column(t("column.answers"), 1),
            Column(t("column.requests"), right=True),
            Column(t("column.lost"), right=True),
            Column(t("column.median"), right=True),
            Column(t("column.slowest"), right=True),
            Column(t("column.hardware")),
        ),
        rows=tuple(_replies(one) for one in dossier.devices),
        small=True,
    )


def _replies(one: DeviceDossier) -> tuple[Cell, ...]:
    times = sorted(reply.reply_ms for reply in one.replies if reply.outcome in _ANSWERS)
    checks = [f.verdict for f in one.findings if f.check.startswith("reach.")]
    verdict = next(
        (v for v in (Verdict.FAIL, Verdict.NOT_TESTED, Verdict.REVIEW) if v in checks), Verdict.PASS
    )
    lost = len(one.replies) - len(times)
    median = f"{times[(len(times) - 1) // 2]:.1f}" if times else "–"
    slowest = f"{times[-1]:.1f}" if times else "–"
    return (
        verdict if checks else Verdict.NOT_TESTED,
        one.tag,
        one.reach.value,
        str(len(one.replies)),
        str(lost or "–"),
        median,
        slowest,
        one.neighbour or one.device.hardware_address or "–",
    )
