"""Back: method, rules and sources, cautions, how the record is verified, and the signature blocks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from probe.judge.registry import get
from probe.model.errors import InputError
from probe.present.turnover.action import at_the_gear
from probe.present.turnover.blocks import (
    Block,
    Code,
    Column,
    Facts,
    Heading,
    Item,
    Items,
    Signature,
    Signatures,
    Table,
    Text,
)
from probe.present.turnover.dossier import Dossier
from probe.present.turnover.enclosure import Enclosure
from probe.present.turnover.front import moment
from probe.present.turnover.project import Person, Project
from probe.present.turnover.texts import Texts
from probe.record.seal import spoken
from probe.record.signing import fingerprint


def method(dossier: Dossier, t: Texts) -> Iterable[Block]:
    """How it was tested, by which rules, and where they come from."""
    yield Heading(text=t("method.heading"), mark="method", new_page=True)
    for name in ("read_only", "evidence", "order", "uncertainty", "expected", "causes"):
        yield Text(text=t(f"method.{name}"))
    yield Heading(text=t("method.rules"), level=2)
    yield Text(text=t("method.rules_intro"))
    rows = [row for name in _checks_used(dossier) if (row := _rule(name, dossier)) is not None]
    yield Table(
        title=t("method.rules"),
        columns=(
            Column(t("column.check"), 3),
            Column(t("column.why"), 5),
            Column(t("column.source"), 5),
        ),
        rows=tuple(rows),
        small=True,
    )


def _checks_used(dossier: Dossier) -> list[str]:
    return list(dict.fromkeys(finding.check for finding in dossier.content.findings))


def _rule(name: str, dossier: Dossier) -> tuple[str, str, str] | None:
    """Title, reason and source of a check; by the record alone if this version has no such check."""
    try:
        check = get(name)
    except (InputError, KeyError):
        rule = next((f.rule for f in dossier.content.findings if f.check == name), "")
        return name, "", rule
    return f"{check.title} ({name})", check.why, check.source


def cautions(t: Texts) -> Iterable[Block]:
    """What people must not take this document for."""
    yield Heading(text=t("cautions.heading"), mark="cautions", new_page=True)
    yield at_the_gear()
    yield Text(text=t("cautions.dead"), manner="caution")
    for name in ("time", "scope", "settings", "tool"):
        yield Text(text=t(f"cautions.{name}"))


def proof(dossier: Dossier, enclosures: Sequence[Enclosure], t: Texts) -> Iterable[Block]:
    """The record's hash, who sealed it, what is enclosed, and how all that is checked."""
    content = dossier.content
    yield Heading(text=t("proof.heading"), mark="proof")
    yield Text(text=t("proof.intro"))
    public = content.seal.public if content.seal is not None else ""
    pairs = [
        (t("proof.code"), content.code if content.seal is not None else t("cover.no_seal")),
        (t("proof.spoken"), spoken(content.code) if content.seal is not None else ""),
        (t("proof.lines"), str(content.count)),
        (t("proof.key"), fingerprint(public) if public else t("cover.no_key")),
        (t("proof.key_spoken"), spoken(fingerprint(public)) if public else ""),
        (t("proof.again"), _again(dossier, t)),
        *((t("proof.source"), f"{s.relation} {s.file}, {spoken(s.code)}") for s in content.header.sources),
    ]
    yield Facts(
        pairs=tuple(pair for pair in pairs if pair[1]),
        codes=(
            t("proof.code"),
            t("proof.spoken"),
            *((t("proof.key"), t("proof.key_spoken")) if public else ()),
        ),
    )
    yield Text(text=t("proof.proves_signed" if public else "proof.proves"))
    yield Heading(text=t("proof.with_tool"), level=2)
    yield Items(items=_steps(("take", "verify", "pages", "judge"), "with", t))
    yield Code(lines=tuple(t("proof.commands").split("\n")))
    yield Heading(text=t("proof.without_tool"), level=2)
    yield Items(items=_steps(("take", "hash", "chain", "seal", "code"), "without", t))
    yield Code(lines=tuple(t("proof.without_commands").split("\n")))
    if enclosures:
        yield Heading(text=t("proof.enclosed"), level=2)
        yield Text(text=t("proof.enclosed_intro"))
        yield Table(
            title=t("proof.enclosed"),
            columns=(Column(t("column.file"), 40), Column(t("column.what"), 36), Column(t("column.sha"), 98)),
            rows=tuple((one.name, one.title, _in_parts(one.sha256)) for one in enclosures),
            small=True,
        )


def _in_parts(sha256: str) -> str:
    """64 digits that a line can be broken within, whatever its width."""
    return " ".join(sha256[n : n + 16] for n in range(0, len(sha256), 16))


def _steps(names: Sequence[str], group: str, t: Texts) -> tuple[Item, ...]:
    return tuple(
        Item(number=str(n), head="", lines=(("", t(f"proof.{group}_{name}")),))
        for n, name in enumerate(names, 1)
    )


def _again(dossier: Dossier, t: Texts) -> str:
    if dossier.derived or not dossier.content.findings:
        return t("proof.again_none")
    if dossier.differences is None:
        return t("proof.again_merged")
    return (
        t("proof.again_equal")
        if dossier.differences == 0
        else t("proof.again_differs", many=dossier.differences)
    )


def signatures(dossier: Dossier, project: Project, t: Texts) -> Iterable[Block]:
    """Three blocks, signed by hand."""
    yield Heading(text=t("sign.heading"), mark="sign", new_page=True)
    yield Text(
        text=t(
            "sign.intro",
            code=spoken(dossier.content.code),
            verdict=t(f"verdict.{dossier.verdict.name.lower()}"),
        )
    )
    if not dossier.complete:
        yield Text(text=t("sign.incomplete"), manner="caution")
    roles = (
        ("tested", project.tested_by),
        ("witnessed", project.witnessed_by),
        ("accepted", project.accepted_by),
    )
    yield Signatures(blocks=tuple(_signature(role, person, t) for role, person in roles))
    yield Text(
        text=t("sign.made", when=moment(dossier.finished_wall_ns or dossier.content.header.started_wall_ns)),
        manner="small",
    )


def _signature(role: str, person: Person, t: Texts) -> Signature:
    return Signature(
        role=t(f"sign.{role}"),
        meaning=t(f"sign.{role}_meaning"),
        lines=(
            (t("sign.name"), person.name or ""),
            (t("sign.company"), person.company or ""),
            (t("sign.date"), ""),
            (t("sign.signature"), ""),
        ),
    )
