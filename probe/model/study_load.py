"""Study text to a ``Study``: what is wrong with the file stops it, with one device only that one.

A file for another site or lineup is refused whole, because its tags may be the same. A device entry that
does not fit, or that stands twice, is set aside with its reason; the rest can be compared.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import NamedTuple

from probe.model.device_map import DeviceMap
from probe.model.document import Document, Path, parse, shown
from probe.model.errors import InputError, Problem
from probe.model.lineup import SourceText
from probe.model.nearest import did_you_mean
from probe.model.protection import FUNCTIONS, GROUPS, Shape
from probe.model.setting_text import Amount
from probe.model.shape import fit
from probe.model.study import DEFAULT_PERCENT, StudiedDevice, StudiedFunction, Study
from probe.model.study_document import HINTS, FunctionEntry, StudyEntry, StudyHead


class Loaded(NamedTuple):
    """A study, and the problems of the entries that were set aside."""

    study: Study
    problems: tuple[Problem, ...]


def load_study(name: str, data: bytes | str) -> Loaded:
    """The study in the text. Raises InputError if the file as a whole cannot be used."""
    document = parse(name, data)
    head, problems = fit(document, StudyHead, without={"devices"}, hints=HINTS)
    listed = document.values.get("devices")
    if not isinstance(listed, list) or not listed:
        what, remedy = "the study lists no devices", "add entries under `devices:`, each with its tag"
        problems = (*problems, document.problem(("devices",), what, remedy=remedy, at_key=True))
    if head is None or not isinstance(listed, list) or not listed:
        raise InputError(problems)
    devices, refused, entry_problems = _devices(document, len(listed))
    tolerances = head.tolerances
    study = Study(
        name=name,
        sha256=document.sha256,
        site=head.site,
        lineup=head.lineup,
        title=head.title,
        reference=head.reference,
        author=head.author,
        revision=head.revision,
        date=head.date,
        devices=devices,
        pickup_percent=_or_default(tolerances.pickup_percent),
        delay_percent=_or_default(tolerances.delay_percent),
        tolerance_stated=bool(tolerances.model_fields_set),
        refused=refused,
    )
    return Loaded(study, entry_problems)


def source_of(name: str, data: bytes) -> SourceText:
    """The text as a record keeps it. Raises InputError if it is no text."""
    document = parse(name, data)
    return SourceText(name=name, text=document.text, sha256=document.sha256)


def _or_default(percent: float | None) -> float:
    return DEFAULT_PERCENT if percent is None else percent


def _devices(
    document: Document, many: int
) -> tuple[dict[str, StudiedDevice], dict[str, str], tuple[Problem, ...]]:
    """Entries that fit by tag; tags set aside with the reason; every problem."""
    found: dict[str, StudiedDevice] = {}
    refused: dict[str, str] = {}
    places: dict[str, str] = {}
    problems: list[Problem] = []
    for number in range(many):
        path: Path = ("devices", number)
        tag = _tag_of(document, path)
        if tag in places:
            first = places[tag]
            what = f"{shown(tag)} stands twice in the study; first at {first}"
            remedy = "keep the entry that holds: the tool does not choose between two"
            problems.append(document.problem((*path, "tag"), what, found=shown(tag), remedy=remedy))
            refused[tag] = "the study has two entries for it"
            found.pop(tag, None)
            continue
        entry, misfits = fit(document, StudyEntry, path=path, hints=HINTS)
        problems += misfits
        if tag:
            places[tag] = document.place((*path, "tag"))
        if entry is not None:
            found[tag] = _device(entry, document.place(path))
        elif tag:
            refused[tag] = f"its entry in the study cannot be used: {misfits[0].what}"
    return found, refused, tuple(problems)


def _tag_of(document: Document, path: Path) -> str:
    value = document.value(path)
    tag = value.get("tag") if isinstance(value, dict) else None
    return tag if isinstance(tag, str) else ""


def _device(entry: StudyEntry, place: str) -> StudiedDevice:
    groups: dict[str, Mapping[str, StudiedFunction]] = {}
    alarms: dict[str, Mapping[str, Amount]] = {}
    for name in GROUPS:
        group = getattr(entry, name)
        if group is None:
            continue
        base = groups.get(group.like or ("normal" if name == "maintenance" else ""), {})
        own = {f: _function(given) for f in FUNCTIONS if (given := getattr(group, f)) is not None}
        groups[name] = {f: own.get(f) or base[f] for f in FUNCTIONS if f in own or f in base}
        alarms[name] = {**(alarms.get(group.like or "", {})), **group.alarms}
    return StudiedDevice(
        tag=entry.tag,
        place=place,
        groups=groups,
        alarms={name: told for name, told in alarms.items() if told},
        sensor_a=None if entry.sensor is None else entry.sensor.number,
        plug_a=None if entry.plug is None else entry.plug.number,
        active=entry.active,
        writing=None if entry.network_writing is None else entry.network_writing == "on",
    )


def _function(entry: FunctionEntry) -> StudiedFunction:
    enabled = entry.enabled
    if enabled is None and entry.pickup is not None:
        enabled = True  # a study that gives a pickup wants the function
    return StudiedFunction(
        enabled=enabled,
        pickup=entry.pickup,
        delay=entry.delay,
        shape=None if entry.curve is None else Shape(entry.curve),
    )


# -- a study in its lineup -------------------------------------------------------------------------------


def misfits(study: Study, system: DeviceMap) -> list[Problem]:
    """What is wrong with the study beside this map: errors (another lineup) and warnings."""
    problems = [*_other_lineup(study, system)]
    if problems:
        return problems
    return [*_strangers(study, system), *_ratings(study, system), *_without_base(study, system)]


def _other_lineup(study: Study, system: DeviceMap) -> Iterable[Problem]:
    for field in ("site", "lineup"):
        told, wanted = getattr(study, field), getattr(system, field)
        if " ".join(told.split()).casefold() != " ".join(wanted.split()).casefold():
            yield Problem(
                file=study.name,
                field=field,
                what=f"this is the study of another {field}",
                found=shown(told),
                allowed=shown(wanted),
                remedy="take the study of this lineup; its settings must not be compared with another's",
            )


def _strangers(study: Study, system: DeviceMap) -> Iterable[Problem]:
    for tag in sorted(study.tags - set(system.by_tag)):
        what = f"the study has {shown(tag)}, which is not in the map"
        remedy = did_you_mean(tag, system.by_tag) or "add it to the map, or leave it: nothing is compared"
        yield _warning(study, tag, what, shown(tag), remedy)


def _ratings(study: Study, system: DeviceMap) -> Iterable[Problem]:
    """Ratings on which study and map do not agree: one of the two is wrong, and every multiple with it."""
    for tag, entry in study.devices.items():
        device = system.by_tag.get(tag)
        if device is None:
            continue
        for field in ("sensor_a", "plug_a"):
            told, drawn = getattr(entry, field), getattr(device.ratings, field)
            if told is not None and drawn is not None and told != drawn:
                name = field.removesuffix("_a")
                what = f"study and map do not agree on the {name} of {tag}: every multiple of it is in doubt"
                remedy = "look at the nameplate, then correct the one that is wrong"
                yield _warning(study, tag, what, f"study {told:g} A, map {drawn:g} A", remedy)


def _without_base(study: Study, system: DeviceMap) -> Iterable[Problem]:
    """Multiples of a rating that neither study nor map states."""
    for tag, entry in study.devices.items():
        device = system.by_tag.get(tag)
        if device is None:
            continue
        needed = dict.fromkeys(
            function.pickup.base
            for group in entry.groups.values()
            for function in group.values()
            if function.pickup is not None and function.pickup.base in ("sensor", "plug")
        )
        bases = entry.bases("normal", device.ratings.sensor_a, device.ratings.plug_a)
        for base in needed:
            if bases.of(base) is None:
                what = f"settings of {tag} are multiples of its {base}, which neither study nor map states"
                remedy = f"add `{base}: ... A` to the entry in the study, or to the ratings in the map"
                yield _warning(study, tag, what, f"... x {base}", remedy)


def _warning(study: Study, tag: str, what: str, found: str, remedy: str) -> Problem:
    file, line, column = study.name, 0, 0
    entry = study.devices.get(tag)
    if entry is not None and entry.place.count(":") >= 2:
        file, at, col = entry.place.rsplit(":", 2)
        line, column = int(at), int(col)
    return Problem(
        file=file, what=what, line=line, column=column, found=found, remedy=remedy, severity="warning"
    )


def as_warnings(problems: Iterable[Problem]) -> list[Problem]:
    """The problems as such that do not stop the rest."""
    return [replace(problem, severity="warning") for problem in problems]
