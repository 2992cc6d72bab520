"""Settings as a person checks them at the breaker's own display: a line a function, the study if it differs.

    Differences, the most dangerous first
    ✗ 52-F2  Group A, ground-fault delay (GFD): slower than studied
             found 0.5 s, study 0.1 s (0.095 to 0.105 allowed)

    52-F2  trip-unit-second, sensor 600 A, plug 600 A
      Group A         pickup      delay                    curve
      ✓ Long-time     540 A       6 s at 6 x pickup        i2t
      ✗ Ground-fault  150 A       0.5 s (study 0.1 s)      flat

Pure.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from probe.judge.settings.device_checks import ONLY_ENGINEERS
from probe.judge.settings.difference import Kind
from probe.judge.settings.found import AsFound, FoundGroup
from probe.judge.settings.lineup_check import ampere_ranges
from probe.judge.settings.pairs import Coordination
from probe.judge.settings.row import Row as Setting
from probe.judge.settings.row import figure, in_order
from probe.model.finding import Verdict, worst
from probe.model.protection import TITLES
from probe.model.setting_rule import GroupRule
from probe.model.trip_band import NoBandError
from probe.present.curve_sketch import key, sketch
from probe.present.page import paragraph
from probe.present.row import Piece, Row, width_of
from probe.present.signs import Signs
from probe.record.settings_view import DeviceSettings, SettingsView

NOT_A_STUDY = (
    "This is a comparison with the engineers' study, not a study. Changes of protective settings are for "
    "licensed engineers."
)
_COLUMNS = ("pickup", "delay", "curve")


def settings_rows(view: SettingsView, width: int, signs: Signs) -> list[Row]:
    """The whole page: study, differences, coordination, then every device."""
    rows = [*study_rows(view, width), *difference_rows(view, width, signs)]
    rows += coordination_rows(view, width, signs)
    for device in view.devices:
        rows += [Row(), *device_rows(view, device, width, signs)]
    return rows


def study_rows(view: SettingsView, width: int) -> list[Row]:
    """Which study, and what this is not."""
    rows: list[Row] = [Row()]
    for study in view.studies:
        rows += paragraph(
            f"{study.title} {study.label}, by {study.author}", width, lead=[Piece("Study   ", "dim")]
        )
        stated = "stated in the study" if study.tolerance_stated else "common practice, the study states none"
        told = f"pickups {study.pickup_percent:g} %, delays {study.delay_percent:g} % ({stated})"
        rows += paragraph(f"Tolerance: {told}", width, indent=8)
    if not view.studies:
        rows += paragraph("The map names no study: settings are shown as found, and not judged.", width)
    return [*rows, *paragraph(NOT_A_STUDY, width, style="bold")]


def difference_rows(view: SettingsView, width: int, signs: Signs) -> list[Row]:
    """Every setting that is not as studied, over all devices, the most dangerous first."""
    wrong = in_order([row for d in view.devices for row in d.rows if row.verdict is not Verdict.PASS])
    rounded = [row for d in view.devices for row in d.rows if row.kind is Kind.ROUNDED]
    rows: list[Row] = []
    if wrong:
        rows += [Row(), *paragraph("Differences, the most dangerous first", width, style="bold")]
        for setting in wrong:
            rows += _difference(setting, width, signs)
        if any(row.verdict is Verdict.FAIL for row in wrong):
            rows += [Row(), *paragraph(ONLY_ENGINEERS, width, style="bold")]
    if rounded:
        title = "Rounded to the device's own step, within the tolerance"
        rows += [Row(), *paragraph(title, width, style="bold")]
        for setting in rounded:
            text = f"{setting.name}: {_beside(setting)}, step {setting.step} {setting.unit}"
            rows += paragraph(text, width, lead=[Piece(f"  {setting.tag}  ")])
    return rows


def _difference(setting: Setting, width: int, signs: Signs) -> list[Row]:
    lamp = signs.verdicts[setting.verdict]
    lead = [Piece(f"{lamp.sign} ", lamp.ink), Piece(f"{setting.tag}  ", "bold")]
    note = f"; {setting.note}" if setting.note else ""
    rows = paragraph(f"{setting.name}: {setting.kind.value}{note}", width, lead=lead)
    said = _beside(setting)
    return rows + (paragraph(said, width, indent=4 + width_of(setting.tag)) if said else [])


def _beside(setting: Setting) -> str:
    parts = []
    if setting.found:
        parts.append(f"found {setting.found} {setting.unit}".strip())
    if setting.studied:
        allowed = f" ({setting.allowed} allowed)" if setting.allowed else ""
        parts.append(f"study {setting.studied} {setting.unit}".strip() + allowed)
    return ", ".join(parts)


# -- coordination -----------------------------------------------------------------------------------------


def coordination_rows(view: SettingsView, width: int, signs: Signs) -> list[Row]:
    """Pairs in series: what was lost, what the study has too, what maintenance mode gives up on purpose."""
    looked = [one for one in view.coordinations if not one.why]
    if not view.coordinations:
        return []
    rows = [Row(), Row([Piece("Breakers in series", "bold")])]
    for one in looked:
        if one.lost:
            rows += [*_lost(one, width, signs), *_sketched(view, one, width)]
    known = [one for one in looked if one.found and not one.lost]
    for one in known:
        text = f"{_pair(one)} cross at {ampere_ranges(one.found)}, as with the settings of the study"
        rows += paragraph(text, width, lead=[Piece("  ")])
    kept = sum(not one.found for one in looked)
    text = f"{kept} of {len(view.coordinations)} clear below each other up to the available fault current"
    rows += paragraph(text, width, lead=[Piece("  ")])
    rows += _given_up(looked, width)
    unknown = [one for one in view.coordinations if one.why]
    for why in dict.fromkeys(one.why for one in unknown):
        pairs = list(dict.fromkeys(_names(one) for one in unknown if one.why == why))
        lamp = signs.verdicts[Verdict.NOT_TESTED]
        rows += paragraph(
            f"{', '.join(pairs)}: not looked at, {why}", width, lead=[Piece(f"{lamp.sign} ", lamp.ink)]
        )
    return rows


def _lost(one: Coordination, width: int, signs: Signs) -> list[Row]:
    lamp = signs.verdicts[Verdict.FAIL]
    text = f"{_pair(one)}: the upper one may trip first at {ampere_ranges(one.found)}"
    rows = paragraph(text, width, lead=[Piece(f"{lamp.sign} ", lamp.ink)])
    return rows + paragraph(f"with the settings of the study: {ampere_ranges(one.studied)}", width, indent=4)


def _sketched(view: SettingsView, one: Coordination, width: int) -> list[Row]:
    """The pair as found, in characters."""
    (lower, upper), bands = one.pair, view.bands
    try:
        below, above = (bands.as_found(tag, "normal", one.domain) for tag in (lower, upper))
    except NoBandError:
        return []
    lines = sketch(below, above, one.up_to_a, width)
    return [*(Row([Piece(line)]) for line in lines), *paragraph(key(lower, upper), width, indent=4)]


def _given_up(looked: Sequence[Coordination], width: int) -> list[Row]:
    """By upper breaker: from which current its maintenance mode waits for nobody; that is its purpose."""
    least: dict[str, float] = {}
    for one in looked:
        for overlap in one.given_up or ():
            least[one.pair.upper] = min(least.get(one.pair.upper, overlap.low_a), overlap.low_a)
    if not least:
        return []
    told = ", ".join(f"{tag} from {figure(round(low_a))} A" for tag, low_a in least.items())
    text = f"In maintenance mode these wait for no breaker below them, as intended: {told}"
    return paragraph(text, width, lead=[Piece("  ")])


def _pair(one: Coordination) -> str:
    return f"{_names(one)}, {one.domain} faults"


def _names(one: Coordination) -> str:
    return f"{one.pair.lower} below {one.pair.upper}"


# -- one device -------------------------------------------------------------------------------------------


def device_rows(view: SettingsView, device: DeviceSettings, width: int, signs: Signs) -> list[Row]:
    """The device's settings as its own display would show them."""
    entry, found = view.lineup.map.by_tag[device.tag], device.found
    lamp = signs.verdicts[worst([row.verdict for row in device.rows])]
    lead = [Piece(f"{lamp.sign} ", lamp.ink), Piece(f"{device.tag}  ", "bold")]
    rows = paragraph(", ".join([entry.profile, *_about(found)]), width, lead=lead, style="dim")
    if device.why:
        rows += paragraph(f"not compared: {device.why}", width, indent=4)
    rule = view.lineup.profile_of(entry).settings
    if found is None or rule is None:
        return rows
    shown: list[tuple[GroupRule, FoundGroup]] = []
    for name, group in rule.groups.items():
        same = _same_as(found.groups[name], group, shown)
        own = [row for row in device.rows if row.group == name]
        if same and all(row.verdict is Verdict.PASS for row in own):
            rows += paragraph(f"the same as {same}", width, lead=[Piece(f"    {group.title}  ")])
        else:
            rows += _table(group, found.groups[name], own, signs)
        shown.append((group, found.groups[name]))
    return rows


def _about(found: AsFound | None) -> list[str]:
    """Ratings and the group in force."""
    if found is None:
        return []
    ratings = (("sensor", found.sensor.number), ("plug", found.plug.number))
    told = [f"{name} {figure(value)} A" for name, value in ratings if value is not None]
    return told + ([f"{found.active.word} group in force"] if found.active and found.active.word else [])


def _same_as(found: FoundGroup, rule: GroupRule, before: Sequence[tuple[GroupRule, FoundGroup]]) -> str:
    """Title of a group before this one that holds the very same, "" for none."""
    for other, group in before:
        if group.functions == found.functions and rule.own == other.own:
            return other.title
    return ""


def _table(rule: GroupRule, found: FoundGroup, rows: Sequence[Setting], signs: Signs) -> Iterator[Row]:
    """A line for each function that the group holds itself."""
    lines = []
    for name in (name for name in rule.functions if name in rule.own):
        own = [row for row in rows if row.function == name]
        lamp = signs.verdicts[worst([row.verdict for row in own])] if own else None
        lines.append((lamp, TITLES[name], [_cell(found, name, column, own) for column in _COLUMNS]))
    first = max([width_of(rule.title), *(width_of(title) + 2 for _, title, _ in lines)]) + 2
    columns = [[head, *(cells[i] for _, _, cells in lines)] for i, head in enumerate(_COLUMNS)]
    sizes = [max(width_of(text) for text in column) + 2 for column in columns]
    heads = "".join(head.ljust(size) for head, size in zip(_COLUMNS, sizes, strict=True))
    yield Row([Piece(f"    {rule.title.ljust(first)}"), Piece(heads.rstrip(), "dim")])
    for lamp, title, cells in lines:
        text = "".join(cell.ljust(size) for cell, size in zip(cells, sizes, strict=True))
        sign = Piece(f"    {lamp.sign if lamp else ' '} ", lamp.ink if lamp else "")
        yield Row([sign, Piece(title.ljust(first - 2)), Piece(text.rstrip())])


def _cell(found: FoundGroup, name: str, attribute: str, rows: Sequence[Setting]) -> str:
    """What the display shows, and the study's word where it is another."""
    seen = found.seen[name].get(attribute)
    setting = found.functions[name]
    row = next((row for row in rows if row.attribute == attribute), None)
    if attribute == "pickup":
        switch = next((row for row in rows if row.attribute == "enabled"), None)
        if setting.enabled is False:
            return "off" + (" (study on)" if switch is not None and switch.kind is Kind.OFF else "")
        if switch is not None and switch.kind is Kind.ON:
            return "on (study off)"
    if setting.enabled is False or seen is None:
        return ""
    if seen.value is None:
        text = "not read"
    elif isinstance(seen.value, str):
        text = seen.value
    else:
        unit = "A" if attribute == "pickup" else setting.delay_unit
        at = (
            f" at {figure(setting.multiple)} x {setting.base}"
            if attribute == "delay" and _counts(found, name)
            else ""
        )
        text = f"{figure(seen.value)} {unit}".strip() + at
    differs = row is not None and row.verdict is not Verdict.PASS and row.studied
    return f"{text} (study {row.studied} {row.unit})".replace(" )", ")") if differs and row else text


def _counts(found: FoundGroup, name: str) -> bool:
    """True where the delay counts at one current only."""
    setting = found.functions[name]
    return setting.shape is not None and setting.shape.value == "i2t" and setting.multiple > 0
