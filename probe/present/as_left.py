"""The settings of a whole lineup as a backup: YAML or a workbook, with the hash of the record they come from.

Values stand as the devices show them, in amperes and seconds; whoever sets a replaced trip unit again
compares each with its own display. Nothing in it is a command to anybody.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime

from probe.judge.settings.found import AsFound
from probe.judge.settings.row import figure
from probe.model.protection import TITLES
from probe.present.settings_table import NOT_A_STUDY
from probe.present.table_text import cell, yaml_text
from probe.record.settings_view import DeviceSettings, SettingsView

COLUMNS = (
    "tag",
    "group",
    "function",
    "enabled",
    "pickup_a",
    "delay",
    "delay_at",
    "curve",
    "studied",
    "verdict",
)
AS_LEFT_FORMAT = "buswitness-as-left/1"


def as_left_bytes(view: SettingsView, record: str, kind: str) -> bytes:
    """The backup as the bytes of its file. kind: ``.yaml``, ``.yml`` or ``.xlsx``."""
    head, rows = _head(view, record), list(as_left_rows(view))
    if kind == ".xlsx":
        return _workbook(head, rows)
    return yaml_text(head, "settings", COLUMNS, rows).encode()


def _head(view: SettingsView, record: str) -> dict[str, str]:
    system = view.lineup.map
    head = {"format": AS_LEFT_FORMAT, "site": system.site, "lineup": system.lineup}
    head |= {"record": record, "record_hash": view.code, "notice": NOT_A_STUDY}
    for number, study in enumerate(view.studies, 1):
        suffix = "" if number == 1 else f"_{number}"
        head[f"study{suffix}"] = f"{study.reference} revision {study.revision} of {study.date}"
        head[f"study_sha256{suffix}"] = study.sha256
    return head


def as_left_rows(view: SettingsView) -> Iterator[Mapping[str, str]]:
    """One row a function of each group of each device; a device that was not read has one that says so."""
    for device in view.devices:
        if device.found is None:
            yield {"tag": device.tag, "verdict": f"not read: {device.why}"}
        else:
            yield from _device_rows(view, device, device.found)


def _device_rows(view: SettingsView, device: DeviceSettings, found: AsFound) -> Iterator[Mapping[str, str]]:
    rule = view.lineup.profile_of(view.lineup.map.by_tag[device.tag]).settings
    for name, group in found.groups.items():
        title = name if rule is None else f"{name} ({rule.groups[name].title})"
        for function, setting in group.functions.items():
            at = f"{figure(setting.multiple)} x {setting.base}" if setting.multiple else ""
            delay = "" if setting.delay is None else f"{figure(setting.delay)} {setting.delay_unit}".strip()
            yield {
                "tag": device.tag,
                "group": title,
                "function": TITLES[function],
                "enabled": {True: "on", False: "off", None: "not read"}[setting.enabled],
                "pickup_a": "not read" if setting.pickup_a is None else figure(setting.pickup_a),
                "delay": delay,
                "delay_at": at,
                "curve": setting.shape.value if setting.shape else "",
                **_compared(device, name, function),
            }


def _compared(device: DeviceSettings, group: str, function: str) -> Mapping[str, str]:
    """What the study has where it differs, and the worst verdict on the function."""
    rows = [row for row in device.rows if row.group == group and row.function == function]
    differs = [
        f"{row.attribute} {row.studied} {row.unit}".strip() for row in rows if row.danger and row.studied
    ]
    words = {row.verdict.value for row in rows}
    order = ("fail", "not tested", "review", "pass")
    verdict = next(
        (word for word in order if word in words), "as its base group" if device.rows else "not compared"
    )
    return {"studied": "; ".join(differs), "verdict": verdict}


def _workbook(head: Mapping[str, str], rows: list[Mapping[str, str]]) -> bytes:
    import xlsxwriter

    target = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    book = xlsxwriter.Workbook(target, options)
    book.set_properties(
        {"title": "As-left settings", "created": datetime(2000, 1, 1, tzinfo=UTC).replace(tzinfo=None)}
    )
    bold = book.add_format({"bold": True})
    sheet = book.add_worksheet("As-left settings")
    for number, (name, text) in enumerate(head.items()):
        sheet.write_string(number, 0, name, bold)
        sheet.write_string(number, 1, cell(text))
    first = len(head) + 1
    for column, name in enumerate(COLUMNS):
        sheet.write_string(first, column, name, bold)
        sheet.set_column(column, column, 16)
        for number, row in enumerate(rows, first + 1):
            sheet.write_string(number, column, cell(row.get(name, "")))
    sheet.freeze_panes(first + 1, 1)
    book.close()
    return target.getvalue()
