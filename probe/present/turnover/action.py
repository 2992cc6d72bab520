"""Action: likely causes, punch list, what was not tested, and what became of findings over several runs."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

from probe.judge.wording import AT_THE_GEAR, count, some
from probe.model.finding import Cause, Finding, Verdict
from probe.present.phrase import comparison
from probe.present.summary import clean_advice
from probe.present.turnover.blocks import Block, Column, Heading, Item, Items, Table, Text
from probe.present.turnover.dossier import Dossier
from probe.present.turnover.front import moment
from probe.present.turnover.texts import Texts
from probe.record.history import Acceptance, History
from probe.record.signing import fingerprint

#: Verdict, subject, what is open, number of its cause.
PunchRow = tuple[Verdict, str, str, str]
_OPEN = (Verdict.FAIL, Verdict.REVIEW)
#: A number that stands alone, unlike those in tags.
_NUMBER = re.compile(r"(?<![\w.-])[0-9]+(?:\.[0-9]+)?(?![\w-])")
#: So many findings of one check that say the same share a line: one mistake of a drawing is one line.
ALIKE = 5
#: So many checks are named beside a reason; a device's page names all of its own.
MOST_CHECKS = 12


def causes(dossier: Dossier, t: Texts) -> Iterable[Block]:
    """Likely causes: one gateway that is dead is one problem, not twelve."""
    yield Heading(text=t("causes.heading"), mark="causes")
    items = dossier.content.causes
    if not items:
        yield Text(text=t("causes.none"))
        return
    yield Text(text=t("causes.intro"))
    if any(AT_THE_GEAR in cause.fix for cause in items):
        yield at_the_gear()
    yield Items(items=tuple(_cause(number, cause, t) for number, cause in enumerate(items, 1)))


def at_the_gear() -> Text:
    """The caution of every advice that sends people to the gear, in its frame."""
    _, _, text = AT_THE_GEAR.partition(": ")
    return Text(text=text[:1].upper() + text[1:], manner="caution")


def _cause(number: int, cause: Cause, t: Texts) -> Item:
    return Item(
        number=str(number),
        head=clean_advice(cause.statement),
        lines=(
            (t("causes.sure"), f"{cause.confidence_permille / 10:.0f} %"),
            (t("causes.devices"), some(cause.subjects, 12)),
            (t("causes.explains"), count(len(cause.explains), "finding")),
            (t("causes.mend"), clean_advice(cause.fix)),
        ),
    )


def punch_list(dossier: Dossier, t: Texts) -> Iterable[Block]:
    """What is still open, a line each, with room to sign it off; what a cause explains is one line."""
    yield Heading(text=t("punch.heading"), mark="punch")
    rows = punch_rows(dossier, t)
    if not rows:
        yield Text(text=t("punch.none"))
        return
    yield Text(text=t("punch.intro"))
    yield Table(
        title=t("punch.heading"),
        columns=(
            Column(t("column.number"), right=True),
            Column(t("column.verdict")),
            Column(t("column.subject")),
            Column(t("column.what"), 1),
            Column(t("column.cause"), right=True),
            Column(t("column.done")),
        ),
        rows=tuple(
            (str(number), verdict, subject, what, cause, t("punch.box"))
            for number, (verdict, subject, what, cause) in enumerate(rows, 1)
        ),
    )


def punch_rows(dossier: Dossier, t: Texts) -> list[PunchRow]:
    """Verdict, subject, what is open, number of its cause; worst and most dangerous first."""
    numbers = {cause.id: str(n) for n, cause in enumerate(dossier.content.causes, 1)}
    accepted = {one.finding for one in dossier.content.histories if one.disposition == "accepted"}
    left_out = {device.tag for device in dossier.left_out}
    open_ = [f for f in dossier.content.findings if f.id not in accepted and f.subject not in left_out]
    return [*_open_rows(open_, numbers, t), *_untested_rows(open_, numbers, t)]


def _open_rows(open_: Sequence[Finding], numbers: Mapping[str, str], t: Texts) -> list[PunchRow]:
    """What fails or is for review."""
    own = sorted((f for f in open_ if f.verdict in _OPEN), key=lambda f: (_OPEN.index(f.verdict), -f.danger))
    rows: list[PunchRow] = []
    for group in _alike(own):
        first = group[0]
        causes_ = dict.fromkeys(numbers[f.cause] for f in group if f.cause and f.cause in numbers)
        said_cause = some(list(causes_), 3)
        tags = list(dict.fromkeys(f.subject for f in group))
        if len(group) < ALIKE:
            rows += [(f.verdict, f.subject, _with_seen(f), numbers.get(f.cause or "", "")) for f in group]
        elif len(tags) == 1:
            titles, ending = common_ending([f.title for f in group])
            what = "; ".join(dict.fromkeys(titles)) + (f" ({ending})" if ending else "")
            what = t("punch.explained", findings=count(len(group), "finding"), what=what)
            rows.append((first.verdict, tags[0], what, said_cause))
        else:
            found = count(len(group), "finding")
            what = t("punch.alike", what=first.title, findings=found, tags=some(tags, 40))
            rows.append((first.verdict, t("punch.several"), what, said_cause))
    return rows


def _untested_rows(open_: Sequence[Finding], numbers: Mapping[str, str], t: Texts) -> list[PunchRow]:
    """What has no verdict, a line a device and reason, or a reason where many devices share it."""
    rows: list[PunchRow] = []
    untested: dict[tuple[str, str, str], list[Finding]] = {}
    for f in open_:
        if f.verdict is Verdict.NOT_TESTED:
            key = (f.subject, reason_of(f), numbers.get(f.cause or "", ""))
            untested.setdefault(key, []).append(f)
    same: dict[tuple[str, str], list[tuple[str, int]]] = {}
    said = without_numbers([why for _, why, _ in untested])
    for (subject, why, cause), items in untested.items():
        same.setdefault((said[why], cause), []).append((subject, len(items)))
    for (why, cause), subjects in same.items():
        if len(subjects) < ALIKE:
            rows += [(Verdict.NOT_TESTED, tag, _untested(many, why, t), cause) for tag, many in subjects]
        else:
            listed = some([tag for tag, _ in subjects], 40)
            what = f"{_untested(sum(many for _, many in subjects), why, t)}: {listed}"
            rows.append((Verdict.NOT_TESTED, t("punch.several"), what, cause))
    return rows


def _untested(many: int, why: str, t: Texts) -> str:
    return t("punch.untested", verdicts=count(many, "verdict"), reason=why)


def _alike(findings: Sequence[Finding]) -> list[list[Finding]]:
    """Findings that are one thing to mend together, where the first of them stands.

    For review, what one cause explains on one device; else what one check says in one title.
    """
    groups: dict[tuple[str, ...], list[Finding]] = {}
    for f in findings:
        caused = f.verdict is Verdict.REVIEW and f.cause
        key = (f.subject, f.cause or "") if caused else (f.check, f.verdict.value, f.title)
        groups.setdefault(key, []).append(f)
    return list(groups.values())


def common_ending(titles: Sequence[str]) -> tuple[list[str], str]:
    """The titles without what nearly all of them say behind ", but ", and that, to be said once."""
    endings = [title.partition(", but ")[2] for title in titles]
    most = max(set(endings), key=lambda one: (endings.count(one), one))
    if not most or endings.count(most) < 2:
        return list(titles), ""
    return [title.removesuffix(f", but {most}") for title in titles], most


def _with_seen(finding: Finding) -> str:
    said = comparison(finding)
    return f"{finding.title}: {said}" if said else finding.title


def reason_of(finding: Finding) -> str:
    """Why a finding has no verdict, as the judge said it behind "not tested"."""
    _, mark, why = finding.title.partition(": not tested, ")
    return why if mark else finding.title


def without_numbers(reasons: Iterable[str]) -> dict[str, str]:
    """Each reason as it is shown: those that differ by numbers alone as one, with a gap for each number."""
    alike: dict[str, set[str]] = {}
    for reason in reasons:
        alike.setdefault(_NUMBER.sub("…", reason), set()).add(reason)
    return {one: gaps if len(own) > 1 else one for gaps, own in alike.items() for one in own}


def check_of(finding: Finding) -> str:
    """The check's title in a finding that is not tested."""
    return finding.title.partition(": not tested, ")[0]


def not_tested(dossier: Dossier, t: Texts) -> Iterable[Block]:
    """What was not tested, by reason: never a pass, never only a number."""
    yield Heading(text=t("untested.heading"), mark="untested")
    groups: dict[str, list[Finding]] = {}
    missing = [f for f in dossier.content.findings if f.verdict is Verdict.NOT_TESTED]
    said = without_numbers([reason_of(finding) for finding in missing])
    for finding in missing:
        groups.setdefault(said[reason_of(finding)], []).append(finding)
    if not groups:
        yield Text(text=t("untested.none"))
    else:
        yield Text(text=t("untested.intro"))
        yield Table(
            title=t("untested.heading"),
            columns=(
                Column(t("column.reason"), 3),
                Column(t("column.subject"), 2),
                Column(t("column.untested"), 5),
            ),
            rows=tuple(
                (
                    _capital(reason),
                    some(list(dict.fromkeys(f.subject for f in items)), 30),
                    _checks(items),
                )
                for reason, items in groups.items()
            ),
            small=True,
        )
    yield Text(text=t("untested.outside"), manner="small")


def _checks(items: Sequence[Finding]) -> str:
    names = list(dict.fromkeys(check_of(f) for f in items))
    return f"{len(items)}: {some(names, MOST_CHECKS)}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def histories(dossier: Dossier, t: Texts) -> Iterable[Block]:
    """What became of findings over several runs, and deviations that somebody accepted."""
    content = dossier.content
    if not content.histories and not content.acceptances:
        return
    yield Heading(text=t("history.heading"), mark="history", new_page=True)
    yield Text(text=t("history.intro"))
    accepted = list(content.acceptances) + [one for history in content.histories for one in history.accepted]
    if accepted:
        yield Heading(text=t("history.accepted"), level=2)
        yield Text(text=t("history.accepted_intro"))
        yield Table(
            title=t("history.accepted"),
            columns=(
                Column(t("column.finding"), 4),
                Column(t("column.verdict")),
                Column(t("column.by"), 2),
                Column(t("column.reason"), 4),
                Column(t("column.when")),
            ),
            rows=tuple(_accepted(one) for one in dict.fromkeys(accepted)),
            small=True,
        )
    several = [one for one in content.histories if len(one.stages) > 1 or one.disposition != "open"]
    moved = [one for one in several if one.accepted or len({stage.verdict for stage in one.stages}) > 1]
    if len(several) > len(moved):
        yield Text(text=t("history.same", findings=count(len(several) - len(moved), "finding")))
    if moved:
        yield Heading(text=t("history.stages"), level=2)
        yield Table(
            title=t("history.stages"),
            columns=(
                Column(t("column.finding"), 4),
                Column(t("column.stages"), 6),
                Column(t("column.now")),
            ),
            rows=tuple((one.finding, _stages(one, t), t(f"history.is_{_known(one)}")) for one in moved),
            small=True,
        )


def _accepted(one: Acceptance) -> tuple[str | Verdict, ...]:
    key = f" (key {fingerprint(one.key)[:8]})" if one.key else ""
    return (f"{one.finding}: {one.title}", one.verdict, one.by + key, one.reason, moment(one.at_wall_ns)[:10])


def _known(history: History) -> str:
    return history.disposition if history.disposition in ("open", "accepted", "closed") else "other"


def _stages(history: History, t: Texts) -> str:
    return "; ".join(
        t(
            "history.stage",
            run=stage.source,
            verdict=t(f"verdict.{stage.verdict.name.lower()}"),
            when=moment(stage.at_wall_ns)[:16],
            seen=stage.observed or stage.title,
            by=stage.operator,
        )
        for stage in history.stages
    )
