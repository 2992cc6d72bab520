"""Settings shown, drawn and exported: from one view, made by hand from a lineup of two breakers in series."""

from __future__ import annotations

import io
import math
import re
import xml.etree.ElementTree as ET

import pytest
import python_calamine
import yaml

from probe.collect.inputs import open_library
from probe.judge.settings.compare import Sides, compare
from probe.judge.settings.found import AsFound, FoundGroup, Seen
from probe.judge.settings.pairs import Bands, all_coordinations
from probe.model.lineup import Lineup
from probe.model.map_load import load_lineup
from probe.model.protection import FunctionSetting, Shape
from probe.present.as_left import COLUMNS, as_left_bytes
from probe.present.curve_drawing import drawings
from probe.present.curve_outline import frame_of, outline
from probe.present.settings_machine import settings_document
from probe.present.settings_table import settings_rows
from probe.present.signs import ASCII, FULL
from probe.record.settings_view import DeviceSettings, SettingsView

MAP = """\
format: buswitness-map/1
site: Tarn Hollow Water Works
lineup: MSB-1
system: {voltage_v: 480, frequency_hz: 60, fault_current_ka: 20}
study: study.yaml
devices:
  - {tag: 52-M1, kind: trip-unit, profile: trip-unit-first, section: A, address: {host: 10.20.1.11}}
  - {tag: 52-F1, kind: trip-unit, profile: trip-unit-first, section: A, fed_from: 52-M1, address: {host: 10.20.1.12}}
  - {tag: 52-F2, kind: trip-unit, profile: trip-unit-first, section: A, fed_from: 52-M1, address: {host: 10.20.1.13}}
"""  # noqa: E501
STUDY = """\
format: buswitness-study/1
site: Tarn Hollow Water Works
lineup: MSB-1
reference: "=S-1"
author: Protection engineering
revision: C
date: 2026-02-11
devices:
  - tag: 52-M1
    normal:
      long_time: {pickup: 1600 A, delay: 12 s at 6 x pickup, curve: i2t}
      short_time: {pickup: 6400 A, delay: 0.3 s, curve: flat}
      instantaneous: {pickup: 60 kA}
      ground: {pickup: 600 A, delay: 0.4 s, curve: flat}
  - tag: 52-F1
    normal:
      long_time: {pickup: 322 A, delay: 6 s at 6 x pickup, curve: i2t}
      short_time: {pickup: 1920 A, delay: 0.1 s, curve: flat}
      instantaneous: {pickup: 3200 A}
      ground: {pickup: 120 A, delay: 0.1 s, curve: flat}
  - tag: 52-F2
    normal: {long_time: {pickup: 320 A}}
"""


def found(
    long_a: float, long_s: float, short: tuple[float, float], inst_a: float, ground: tuple[float, float]
) -> AsFound:
    """What a first-generation trip unit shows."""
    settings = {
        "long_time": FunctionSetting(
            enabled=True, pickup_a=long_a, delay=long_s, multiple=6, base="pickup", shape=Shape.I2T
        ),
        "short_time": FunctionSetting(enabled=True, pickup_a=short[0], delay=short[1], shape=Shape.FLAT),
        "instantaneous": FunctionSetting(enabled=True, pickup_a=inst_a),
        "ground": FunctionSetting(enabled=True, pickup_a=ground[0], delay=ground[1], shape=Shape.FLAT),
    }
    seen = {
        name: {
            "pickup": Seen(float(one.pickup_a or 0), 7),
            "enabled": Seen("on"),
            **(
                {"delay": Seen(float(one.delay or 0), 8), "curve": Seen(one.shape.value)} if one.shape else {}
            ),
        }
        for name, one in settings.items()
    }
    group = FoundGroup(functions=settings, seen=seen)
    return AsFound(groups={"normal": group}, sensor=Seen(400.0, 6), plug=Seen(400.0, 6))


@pytest.fixture(scope="module")
def view() -> SettingsView:
    """52-F1 with a ground-fault delay of 0.5 s where the study asks 0.1 s; 52-F2 silent."""
    texts = {"map.yaml": MAP, "study.yaml": STUDY}
    lineup, _ = load_lineup("map.yaml", lambda name: texts[name].encode(), open_library())
    shows = {
        "52-M1": found(1600, 12, (6400, 0.3), 60_000, (600, 0.4)),
        "52-F1": found(320, 6, (1920, 0.1), 3200, (120, 0.5)),
    }
    devices = [device(lineup, tag, shows[tag]) for tag in shows]
    devices.append(DeviceSettings(tag="52-F2", why="no values came from the device"))
    bands = Bands(lineup=lineup, found=shows)
    return SettingsView(
        lineup=lineup,
        code="ab" * 32,
        devices=tuple(devices),
        coordinations=tuple(all_coordinations(bands, lineup.map.by_tag)),
    )


def device(lineup: Lineup, tag: str, shows: AsFound) -> DeviceSettings:
    study = lineup.studies[tag]
    rule = lineup.profiles["trip-unit-first"].settings
    assert rule is not None
    rows = compare(
        Sides(
            tag=tag, rule=rule, found=shows, study=study, studied=study.devices[tag], sensor_a=None,
            plug_a=None, frequency_hz=60.0,
        )
    )  # fmt: skip
    return DeviceSettings(tag=tag, rows=rows, found=shows)


def page(view: SettingsView, width: int = 80) -> str:
    return "\n".join(row.text for row in settings_rows(view, width, FULL))


def test_the_page_says_what_it_is_and_what_it_is_not(view: SettingsView) -> None:
    text = " ".join(page(view).split())
    assert "revision C of 2026-02-11, SHA-256" in text
    assert "a comparison with the engineers' study, not a study" in text
    assert "licensed engineers" in text
    assert "arc flash" in text


def test_differences_rounding_coordination_and_tables(view: SettingsView) -> None:
    text = page(view)
    assert "✗ 52-F1  Settings, ground-fault delay (GFD): slower than studied" in text
    assert "found 0.5 s, study 0.1 s (0.095 to 0.105 allowed)" in text
    assert "long-time pickup (LTPU): found 320 A, study 322 A" in " ".join(text.split())
    assert "step 5 A" in " ".join(text.split())
    assert "✗ 52-F1 below 52-M1, ground faults: the upper one may trip first at 540 A" in text
    assert re.search(r"✗ Ground-fault +120 A +0\.5 s \(study 0\.1 s\) +flat", text)
    assert "? 52-F2" in text
    assert "not compared: no values came from the device" in text


@pytest.mark.parametrize("width", [40, 60, 80, 110])
def test_no_line_of_words_is_wider_than_asked(view: SettingsView, width: int) -> None:
    tables = ("Long-time", "Short-time", "Instant", "Ground-", "pickup")
    for row in settings_rows(view, width, ASCII):
        assert row.width <= width or any(word in row.text for word in tables)


def test_one_object_for_machines(view: SettingsView) -> None:
    document = settings_document({"exit_code": 1}, view)
    assert document["format"] == "buswitness-settings/1"
    (wrong,) = [row for row in document["settings"] if row["verdict"] == "fail"]
    assert wrong["found"] == "0.5"
    assert (wrong["studied"], wrong["unit"], wrong["danger"]) == ("0.1", "s", 9)
    assert wrong["evidence"] == [8]
    (lost,) = [pair for pair in document["coordination"] if pair["lost_a"]]
    assert (lost["lower"], lost["upper"], lost["faults"]) == ("52-F1", "52-M1", "ground")
    assert lost["lost_a"] == [[540.0, pytest.approx(2112)]]
    assert document["studies"][0]["sha256"]
    assert document["not_compared"] == [{"tag": "52-F2", "why": "no values came from the device"}]


def test_the_backup_as_yaml(view: SettingsView) -> None:
    backup = yaml.safe_load(as_left_bytes(view, "r.audit.jsonl", ".yaml"))
    assert backup["record_hash"] == view.code
    assert backup["study"] == "=S-1 revision C of 2026-02-11"
    ground = next(r for r in backup["settings"] if (r["tag"], r["function"]) == ("52-F1", "Ground-fault"))
    assert (ground["pickup_a"], ground["delay"], ground["verdict"]) == ("120", "0.5 s", "fail")
    assert backup["settings"][-1]["verdict"] == "not read: no values came from the device"


def test_the_backup_as_workbook_reads_back_with_another_library(view: SettingsView) -> None:
    data = as_left_bytes(view, "r.audit.jsonl", ".xlsx")
    sheet = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data)).get_sheet_by_index(0).to_python()
    facts = {row[0]: row[1] for row in sheet[:9]}
    assert facts["record_hash"] == view.code
    assert facts["study"].startswith("'=S-1"), "a formula from a study must stay text"
    assert tuple(next(row for row in sheet if row[0] == "tag")) == COLUMNS
    assert data == as_left_bytes(view, "r.audit.jsonl", ".xlsx")


# -- drawings ---------------------------------------------------------------------------------------------

SVG = "{http://www.w3.org/2000/svg}"


def test_each_device_and_each_pair_has_a_drawing(view: SettingsView) -> None:
    made = drawings(view)
    assert "52-F1-ground.svg" in made
    assert "52-F1-below-52-M1-ground.svg" in made
    assert not any(name.startswith("52-F2-below") for name in made), "a band without settings is drawn"
    for name, text in made.items():
        root = ET.fromstring(text)
        assert root.tag == f"{SVG}svg", name
        words = " ".join(node.text or "" for node in root.iter(f"{SVG}text"))
        assert "not a study" in words
        assert view.code in words


def test_a_drawing_shows_where_the_curves_are(view: SettingsView) -> None:
    """The first band of 52-F1 below 52-M1: its left edge stands at the low edge of the pickup."""
    root = ET.fromstring(drawings(view)["52-F1-below-52-M1-ground.svg"])
    polygons = root.findall(f"{SVG}polygon")
    assert len(polygons) == 4
    points = [tuple(map(float, pair.split(","))) for pair in polygons[0].get("points", "").split()]
    marks = {
        node.text: float(node.get("x", "0"))
        for node in root.iter(f"{SVG}text")
        if node.get("text-anchor") == "middle"
    }
    decade = marks["1k"] - marks["100"]
    expected = marks["100"] + decade * math.log10(0.9 * 120 / 100)
    assert min(x for x, _ in points) == pytest.approx(expected, abs=0.1)


def test_an_outline_keeps_its_jumps(view: SettingsView) -> None:
    band = view.bands.as_found("52-F1", "normal", "phase")
    frame = frame_of([band], 20_000)
    points = outline(band, frame, 20_000)
    assert (frame.low_a, frame.high_a) == (100, 100_000)
    at = [t for a, t in points if 0.84 * 3200 < a < 0.86 * 3200]
    assert min(at) == frame.low_s, "the instantaneous edge"
    assert max(at) > 0.07, "the short-time level before it"
    assert all(frame.low_s <= t <= frame.high_s for _, t in points)
