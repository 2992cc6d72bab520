"""Pictures: well-formed by an XML parser that is not ours, hostile texts stay text."""

from __future__ import annotations

from xml.etree import ElementTree as ET

import pytest

from probe.present.svg_paper import INK, caption, picture

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = '</text><script>x()</script>\x1b[2J"&'


@pytest.mark.parametrize("description", ["", HOSTILE])
def test_hostile_texts_stay_text(description: str) -> None:
    made = picture(300.4, 99.6, HOSTILE, [caption(1, 2, HOSTILE, size=9)], description)
    root = ET.fromstring(made)
    assert root.tag == f"{SVG}svg"
    assert "script" not in {part.tag.removeprefix(SVG) for part in root.iter()}
    told = [part.text for part in root.iter(f"{SVG}text")]
    assert told == [root.findtext(f"{SVG}title")]
    assert "</text><script>x()</script>" in (told[0] or "")
    assert "\x1b" not in made
    assert root.findtext(f"{SVG}desc") == (told[0] if description else None)


def test_the_paper_is_as_large_as_the_picture_and_lies_below_all() -> None:
    root = ET.fromstring(picture(300.4, 99.6, "T", [caption(1, 2, "words", size=9)]))
    paper = next(part for part in root if part.tag == f"{SVG}rect")
    assert (paper.get("width"), paper.get("height")) == ("300", "100")
    assert root.get("viewBox") == "0 0 300 100"
    assert list(root).index(paper) < list(root).index(root.find(f"{SVG}text"))  # type: ignore[arg-type]


def test_the_manner_of_a_text() -> None:
    plain = ET.fromstring(caption(1.26, 2, "x", size=9))
    assert plain.attrib == {"x": "1.3", "y": "2.0", "font-size": "9", "fill": INK}
    set_out = ET.fromstring(
        caption(0, 0, "x", size=9, weight="bold", anchor="end", colour="#5d6b7a", more=' opacity="0.5"')
    )
    assert set_out.get("font-weight") == "bold"
    assert set_out.get("text-anchor") == "end"
    assert set_out.get("fill") == "#5d6b7a"
    assert set_out.get("opacity") == "0.5"
