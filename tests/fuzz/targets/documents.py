"""Targets: everything that people write in YAML: maps, profiles, studies, fleets, sheets, trust, projects."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any

from probe.collect.inputs import open_library
from probe.model.checklist import fitting_checklist, load_checklist
from probe.model.checklist_draft import draft
from probe.model.checklist_items import load_items
from probe.model.checklist_text import checklist_text
from probe.model.document import parse
from probe.model.fleet_load import load_fleet
from probe.model.lineup import Lineup, SourceText
from probe.model.map_load import load_lineup
from probe.model.procedure_load import load_procedure, procedure_of
from probe.model.profile_load import ProfileLibrary
from probe.model.setting_text import SettingTextError, parse_amount, parse_delay
from probe.model.slots import due_now, next_slot, trouble_with
from probe.model.study_load import load_study, misfits
from probe.practice.scenario import load_scenario
from probe.present.turnover.project import project_from
from probe.present.turnover.texts import english, texts_from
from probe.record.trust import trust_from
from tests.fuzz.mutate import lines_of
from tests.fuzz.target import Target, check_problem, need, refused

ROOT = Path(__file__).parents[3]
NAME = "fuzz.yaml"
_MOST_SEEDS = 40


def _texts(*patterns: str, largest: int = 6000) -> Iterator[bytes]:
    """The smallest files of the repository that match; bytes as they are."""
    found = sorted(
        {path for pattern in patterns for path in ROOT.glob(pattern)}, key=lambda p: (p.stat().st_size, p)
    )
    for path in found[:_MOST_SEEDS]:
        if path.stat().st_size <= largest:
            yield path.read_bytes()


def words_of(*patterns: str) -> tuple[str, ...]:
    """Keys and values that the repository's own files of a kind use."""
    found: dict[str, None] = {}
    for pattern in patterns:
        for path in sorted(ROOT.glob(pattern)):
            for word in re.findall(r"[A-Za-z_][\w.-]{1,30}|\d+(?:\.\d+)?", path.read_text("utf-8", "ignore")):
                found.setdefault(word)
    return tuple(found)[:1500]


@lru_cache(maxsize=1)
def library() -> ProfileLibrary:
    """The bundled profiles."""
    return open_library()


@lru_cache(maxsize=1)
def sample_lineup() -> Lineup:
    """A lineup of the repository, to read other documents beside."""
    path = ROOT / "examples" / "substation.yaml"

    def read(name: str) -> bytes:
        return (path.parent / Path(name).name).read_bytes()

    return load_lineup(path.name, read, library())[0]


# --- maps ---------------------------------------------------------------------------------------------------


def _map(data: bytes) -> None:
    def read(name: str) -> bytes:
        if name == NAME:
            return data
        raise FileNotFoundError(2, "there is no such file", name)

    found = refused(lambda: load_lineup(NAME, read, library(), exists=lambda name: False), NAME, data)
    if found is None:
        return
    lineup, warnings = found
    for problem in warnings:
        check_problem(problem, NAME, data)
        need(problem.severity != "error", "an error among the warnings")
    tags = [device.tag for device in lineup.map.devices]
    need(len(tags) == len(set(tags)), "two devices of one tag")
    for device in lineup.map.devices:
        lineup.profile_of(device)
    need(lineup.map_texts[0].text.encode() == data, "the record would hold another text than was given")


# --- profiles -----------------------------------------------------------------------------------------------


def _profile(data: bytes) -> None:
    text = data.decode("utf-8", "replace")
    named = re.search(r"(?m)^name: *([\w-]{1,40})\s*$", text)
    name = named[1] if named else "fuzz"
    texts = {
        one: SourceText(name=f"{one}.yaml", text=other.text, sha256=other.sha256) for one, other in _bundled()
    }
    texts[name] = SourceText(name=NAME, text=text, sha256="0" * 64)
    checked = ProfileLibrary(texts).check(name)
    for problem in checked.problems:
        check_problem(problem, NAME, text.encode())
    if checked.profile is None:
        need(any(problem.severity == "error" for problem in checked.problems), "no profile and no reason")
        return
    for point in checked.profile.points:
        size = 1 if point.area in ("coil", "discrete") else 2 * point.count
        for raw in (bytes(size), b"\xff" * size, bytes(range(size))):
            point.decoder.decode(raw if size > 1 else bytes((raw[0] & 1,)))


@lru_cache(maxsize=1)
def _bundled() -> tuple[tuple[str, SourceText], ...]:
    return tuple((name, library().texts_for([name])[0]) for name in library().names())


# --- studies ------------------------------------------------------------------------------------------------


def _study(data: bytes) -> None:
    loaded = refused(lambda: load_study(NAME, data), NAME, data)
    if loaded is None:
        return
    for problem in loaded.problems:
        check_problem(problem, NAME, data)
    for problem in misfits(loaded.study, sample_lineup().map):
        need(str(problem), "a problem that says nothing")


def _amounts(data: bytes) -> None:
    text = data.decode("utf-8", "replace")
    for work in (parse_amount, parse_delay):
        try:
            found: Any = work(text)  # type: ignore[operator]
        except SettingTextError as error:
            need(error.allowed, "a refusal that does not say what is allowed")
            continue
        again = work(found.text)  # type: ignore[operator]
        need(again.text == found.text, f"{text!r} is {found.text!r}, again {again.text!r}")


# --- sheets, fleets and what else ---------------------------------------------------------------------------


def _procedure(data: bytes) -> None:
    procedure = refused(lambda: load_procedure(NAME, data), NAME, data)
    if procedure is not None:
        text = SourceText(name=NAME, text=data.decode("utf-8-sig"), sha256="")
        need(procedure_of(text) in (None, procedure), "another procedure comes out of the record")


def _checklist(data: bytes) -> None:
    found = refused(lambda: load_checklist(NAME, data), NAME, data)
    if found is not None:
        refused(lambda: fitting_checklist(NAME, data, sample_lineup().map), NAME, data)
        again, _ = load_checklist(NAME, checklist_text(found[0]))
        need(again == found[0], "written as a file it is another checklist")


def _items(data: bytes) -> None:
    items = refused(lambda: load_items(NAME, data), NAME, data)
    if items is not None:
        made = draft(sample_lineup().map, items)
        need(
            not made.lines or load_checklist(NAME, checklist_text(made))[0] == made,
            "its checklist does not load",
        )


def _simple(load: Callable[[str, bytes], Any]) -> Callable[[bytes], None]:
    def run(data: bytes) -> None:
        refused(lambda: load(NAME, data), NAME, data)

    return run


def _document(data: bytes) -> None:
    document = refused(lambda: parse(NAME, data), NAME, data)
    if document is not None:
        for key in document.values:
            spot = document.spot((key,))
            need(1 <= spot.line <= data.count(b"\n") + data.count(b"\r") + 3, "a value outside the text")
            document.place((key,))
        need(document.text.encode() == data, "the text is not what was given")


def _amount_seeds() -> Iterator[bytes]:
    for text in (
        "5 x In",
        "400 A",
        "0.8",
        "120 ms",
        "0.5 s",
        "off",
        "2 cycles",
        "10 %",
        "1.05 x Ir",
        "3,5 A",
    ):
        yield text.encode()


def _trust_seeds() -> Iterator[bytes]:
    from probe.record.trust import entry_text

    head = "format: buswitness-trust/1\nkeys:\n"
    yield (head + entry_text("A. Tester", "ab" * 32)).encode()
    yield (head + entry_text("A. Tester", "ab" * 32) + entry_text("B. Tester", "cd" * 32)).encode()


class _Value(dict[str, str]):
    def __missing__(self, key: str) -> str:
        return "x"


def _report_texts(data: bytes) -> None:
    texts = refused(lambda: texts_from(NAME, data), NAME, data)
    if texts is not None:
        need(set(texts) == set(english()), "another set of texts")
        for name in sorted(texts):
            need(texts[name].format_map(_Value()), f"the text {name} says nothing")


def _report_text_seeds() -> Iterator[bytes]:
    whole = (ROOT / "probe" / "present" / "turnover" / "en.yaml").read_bytes()
    lines = whole.split(b"\n")
    yield whole[:9000].rpartition(b"\n")[0] + b"\n"
    yield b"\n".join(lines[:40]) + b"\n"


def _fleet_seeds() -> Iterator[bytes]:
    yield FLEET


FLEET = b"""format: buswitness-fleet/1
zone: Europe/London
history: postgresql://probe@db.example.org/fleet
records: records
keep_runs: 104w
agents_ask: 30s
sweeps:
  - {name: MSB-1, map: msb-1.yaml, at: "*/15 * * * *", quick: yes, agent: tarn}
  - name: MSB-2
    map: msb-2.yaml
    at: "0 6 * * 1-5"
    budget: 20m
    spread: 15m
    quiet: ["06:00-08:00"]
    catch_up: 12h
    zone: America/Denver
alerts:
  - name: duty
    mail: {to: [duty@example.org], sender: probe@example.org, server: mail.example.org, user: probe}
  - {name: operations, webhook: {url: "https://192.0.2.1/hook"}, least: fail}
  - {name: journal, syslog: {host: 127.0.0.1, port: 514, transport: udp}}
open_after: 1
clear_after: 2
false_alarms: 1
"""
#: A Sunday on which clocks go back in Europe, so that times come twice.
_A_SUNDAY = datetime(2026, 10, 25, 0, 40, tzinfo=UTC)


def _fleet(data: bytes) -> None:
    fleet = refused(lambda: load_fleet(NAME, data), NAME, data)
    for sweep in fleet.sweeps[:4] if fleet is not None else ():
        zone = fleet.zone_of(sweep)
        trouble_with(sweep, zone, _A_SUNDAY)
        first = next_slot(sweep, zone, _A_SUNDAY)
        need(first is None or first.at > _A_SUNDAY - timedelta(days=1), "a start in the past")
        due_now(sweep, zone, _A_SUNDAY - timedelta(hours=30), _A_SUNDAY)


_ODD = (
    "|",
    ">",
    "&a",
    "*a",
    "<<",
    "? ",
    "- - -",
    "!!str",
    "---",
    "...",
    "%YAML 1.1",
    "\t",
    "'",
    '"',
    "{",
    "[",
    "#",
)


def _target(
    name: str, promise: str, run: Callable[[bytes], None], seeds: Any, words: tuple[str, ...], **more: Any
) -> Target:
    return Target(
        name=name,
        promise=promise,
        run=run,
        seeds=seeds,
        mutate=lines_of(words or ("x",)),
        **{"longest": 8000, "calls": 40, **more},
    )


_REFUSES = "understood, or refused with file, line, field and what is allowed"
_MAPS = ("examples/*.yaml", "tests/inputs/maps/*.yaml", "tests/inputs/maps/parts/*.yaml")
_PROFILES = ("profiles/*.yaml", "tests/inputs/profiles/*.yaml")


def _checklist_seeds() -> Iterator[bytes]:
    items = load_items("items.yaml", _first_items())
    whole = draft(sample_lineup().map, items)
    for first in (0, 40, 90):
        yield checklist_text(whole.model_copy(update={"lines": whole.lines[first : first + 5]})).encode()


def _first_items() -> bytes:
    return min(
        (ROOT / "probe" / "checklists").glob("*.yaml"), key=lambda path: path.stat().st_size
    ).read_bytes()


def _item_seeds() -> Iterator[bytes]:
    text = _first_items().decode()
    head, _, items = text.partition("items:\n")
    parts = re.split(r"(?m)^(?=  - )", items)
    for first in range(1, min(len(parts), 30), 3):
        yield (head + "items:\n" + "".join(parts[first : first + 3])).encode()


def _project_seeds() -> Iterator[bytes]:
    yield (
        b"format: buswitness-project/1\nproject: Tarn Hollow\nnumber: P-1\nrevision: A\nclient: Tarn Hollow\n"
        b"logo: logo.svg\ntexts: german.yaml\ntested_by: {name: A. Tester, company: Alder Bay Electric}\n"
        b"attachments:\n  - {file: nameplate.jpg, title: Nameplate}\n"
    )


TARGETS = (
    _target(
        "yaml",
        f"YAML is {_REFUSES}; the text is kept as given",
        _document,
        lambda: _texts(*_MAPS, *_PROFILES),
        (*_ODD, *words_of("examples/*.yaml")),
        calls=150,
    ),
    _target(
        "map",
        f"a map is {_REFUSES}; no two devices share a tag",
        _map,
        lambda: _texts(*_MAPS),
        words_of(*_MAPS),
        share=2.0,
        longest=12_000,
    ),
    _target(
        "profile",
        f"a profile is {_REFUSES}; its decoders take any registers",
        _profile,
        lambda: _texts(*_PROFILES, largest=9000),
        words_of(*_PROFILES),
        share=2.0,
        longest=12_000,
        calls=25,
    ),
    _target(
        "study",
        f"a study is {_REFUSES}; also beside a map",
        _study,
        lambda: _texts("tests/inputs/studies/*.yaml"),
        words_of("tests/inputs/studies/*.yaml"),
    ),
    _target(
        "amounts",
        "a pickup or delay in words is understood or refused; its text means the same again",
        _amounts,
        _amount_seeds,
        ("A", "x In", "ms", "s", "cycles", "%"),
        longest=60,
        calls=2000,
    ),
    _target(
        "procedure",
        f"a procedure is {_REFUSES}",
        _procedure,
        lambda: _texts("procedures/*.yaml", largest=9000),
        words_of("procedures/*.yaml"),
    ),
    _target(
        "checklist",
        f"a checklist is {_REFUSES}; written out it loads as the same",
        _checklist,
        _checklist_seeds,
        words_of("probe/checklists/*.yaml"),
    ),
    _target(
        "checklist_items",
        f"questions are {_REFUSES}; the checklist made from them loads",
        _items,
        _item_seeds,
        words_of("probe/checklists/*.yaml"),
    ),
    _target(
        "fleet",
        f"a fleet is {_REFUSES}; its time tables give starts or none",
        _fleet,
        _fleet_seeds,
        words_of("docs/sweeps.md", "probe/model/alerting.py"),
    ),
    _target(
        "scenario",
        f"a scenario is {_REFUSES}",
        _simple(load_scenario),
        lambda: _texts("probe/practice/scenarios/*.yaml"),
        words_of("probe/practice/scenarios/*.yaml", "probe/practice/faults.py"),
    ),
    _target(
        "report_texts",
        f"texts of the report are {_REFUSES}; every one can be filled in",
        _report_texts,
        _report_text_seeds,
        (
            "{",
            "}",
            "{tag}",
            "{0}",
            "{tag!r}",
            "{tag:>9}",
            "{a.b}",
            *words_of("probe/present/turnover/en.yaml"),
        ),
    ),
    _target(
        "trust",
        f"a trust file is {_REFUSES}",
        _simple(trust_from),
        _trust_seeds,
        ("keys", "name", "public", "revoked", "since", "format"),
        longest=2000,
    ),
    _target(
        "project",
        f"a project file of the report is {_REFUSES}",
        _simple(project_from),
        _project_seeds,
        words_of("docs/report.md", "probe/present/turnover/project.py"),
    ),
)
