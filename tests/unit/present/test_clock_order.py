"""Order of events for people: rows that fit, a picture that is well-formed whatever the tags, JSON."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET

import pytest

from probe.judge.clock_fleet import Fleet, Member, fleet_of, needs
from probe.judge.limit import Interval
from probe.present.clock_order import order_document, order_rows, seconds
from probe.present.clock_svg import order_svg
from probe.present.row import width_of
from probe.present.signs import signs_for

FULL, PLAIN = signs_for("utf-8", "xterm"), signs_for("ascii", "xterm")
SVG = "{http://www.w3.org/2000/svg}"


def fleet(*clocks: tuple[str, float, float, float]) -> Fleet:
    members = tuple(Member(tag, Interval(low, high), step) for tag, low, high, step in clocks)
    pairs = tuple(needs(a, b) for i, a in enumerate(members) for b in members[i + 1 :])
    worst = max(pairs, key=lambda pair: pair.raw_s, default=None)
    return Fleet(
        members=members, at_ns=0, worst=worst, median_s=1.02, corrected_s=1.01, left_out={"X": "cached"},
        pairs=pairs,
    )  # fmt: skip


THREE = fleet(("52-F1", -0.01, 0.01, 1.0), ("52-F2", 0.2, 0.21, 0.001), ("52-F3", -43.0, -42.9, 1.0))


@pytest.mark.parametrize("width", [40, 60, 80, 120])
@pytest.mark.parametrize("signs", [FULL, PLAIN])
def test_rows_fit_and_name_the_worst_pair(width, signs):
    rows = [row.text for row in order_rows(THREE, width, signs)]
    assert max(width_of(row) for row in rows) <= width
    text = " ".join(" ".join(rows).split())
    assert "52-F2 and 52-F3" in text
    assert "X (cached)" in text
    if signs is PLAIN:
        assert text.isascii()


def test_a_clock_beyond_the_scale_has_an_arrow_and_the_others_their_bars():
    rows = [row.text for row in order_rows(THREE, 100, FULL)]
    (far,) = [row for row in rows if row.strip().startswith("52-F3")]
    assert "▶" in far
    assert "█" not in far
    assert all("█" in row for row in rows if re.match(r" +52-F[12] ", row))


def test_nothing_is_said_of_a_single_clock():
    assert order_rows(fleet(("A", 0, 1, 1)), 80, FULL) == []


@pytest.mark.parametrize(
    ("value", "text"), [(0.0012, "1 ms"), (0.9994, "999 ms"), (1.0284, "1.028 s"), (43.36, "43.4 s")]
)
def test_lengths_of_time(value, text):
    assert seconds(value) == text


def test_the_picture_is_well_formed_and_says_it_in_words():
    root = ET.fromstring(order_svg(THREE, "Tarn Hollow Water Works, MSB-1"))
    assert root.tag == f"{SVG}svg"
    texts = [element.text for element in root.iter(f"{SVG}text")]
    assert {"52-F1", "52-F2", "52-F3"} <= set(texts)
    assert len(root.findall(f"{SVG}rect")) == 3  # ground and two bars; the third is an arrow
    assert len(root.findall(f"{SVG}path")) == 1
    assert "worst pair 52-F2 and 52-F3" in (root.findtext(f"{SVG}desc") or "")
    width, height = (float(root.attrib[name]) for name in ("width", "height"))
    for bar in root.findall(f"{SVG}rect"):
        place = [float(bar.attrib.get(name, 0)) for name in ("x", "y", "width", "height")]
        assert place[0] >= 0
        assert place[0] + place[2] <= width
        assert place[1] + place[3] <= height


def test_hostile_names_stay_text_in_the_picture():
    tag = "</svg><script>alert(1)</script>\x1b[2J\u202e\"'&"
    text = order_svg(fleet((tag, 0, 1, 1), ("B", 0, 1, 1)), tag)
    root = ET.fromstring(text)
    assert not list(root.iter(f"{SVG}script"))
    assert not set(text) & {"\x1b", "\u202e"}


def test_an_empty_fleet_is_a_picture_too():
    assert "Fewer than two clocks" in order_svg(fleet_of([]), "x")


def test_json_lists_every_pair():
    document = json.loads(json.dumps(order_document(THREE)))
    assert [(p["first"], p["second"]) for p in document["pairs"]] == [
        ("52-F1", "52-F2"), ("52-F1", "52-F3"), ("52-F2", "52-F3"),
    ]  # fmt: skip
    assert document["worst"]["needs_s"] == pytest.approx(44.21)
    assert document["left_out"] == {"X": "cached"}
    assert order_document(fleet_of([]))["worst"] is None
