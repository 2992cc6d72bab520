"""The picture of the network: well-formed, everything in words too, hostile names harmless."""

from __future__ import annotations

from xml.etree import ElementTree as ET

from probe.judge.network.switch_view import SwitchView
from probe.judge.network.topology import Edge, Neighbour, State, Topology
from probe.model.device_map import DeviceMap
from probe.present.topology_svg import topology_svg

MAP = DeviceMap.model_validate(
    {
        "format": "buswitness-map/1",
        "site": "Tarn Hollow Water Works",
        "lineup": "MSB-1",
        "system": {"voltage_v": 480, "frequency_hz": 60},
        "links": [
            {
                "name": f"ring-{n}",
                "ends": [{"tag": f"SW-{n}", "port": "p1"}, {"tag": f"SW-{n % 5 + 1}", "port": "p2"}],
            }
            for n in range(1, 6)
        ],
        "devices": [
            {
                "tag": f"SW-{n}",
                "kind": "switch",
                "profile": "x",
                "section": "A",
                "address": {"host": f"10.20.1.{n}"},
            }
            for n in range(1, 6)
        ],
    }
)


def picture(*edges: Edge) -> tuple[ET.Element, str]:
    views = {"SW-1": SwitchView("SW-1", ())}
    text = topology_svg(Topology((), edges, frozenset({"SW-1"})), MAP, views, "MSB-1 & more")
    return ET.fromstring(text.encode()), text


def drawn(state: State, *seen: Neighbour) -> list[Edge]:
    return [Edge(tuple((e.tag, e.port or "") for e in link.ends), state, link, seen) for link in MAP.links]  # type: ignore[arg-type]


def texts(root: ET.Element) -> str:
    return " | ".join(node.text or "" for node in root.iter("{http://www.w3.org/2000/svg}text"))


def test_a_ring_of_five_in_two_rows_is_well_formed() -> None:
    root, _ = picture(*drawn(State.FOUND))
    said = texts(root)
    for link in MAP.links:
        assert link.name in said
    for device in MAP.devices:
        assert device.tag in said
    assert "as drawn" in said
    width, height = float(root.attrib["width"]), float(root.attrib["height"])
    for box in root.iter("{http://www.w3.org/2000/svg}rect"):
        assert float(box.get("x", 0)) + float(box.attrib["width"]) <= width
        assert float(box.get("y", 0)) + float(box.attrib["height"]) <= height


def test_every_state_has_its_word_beside_its_line() -> None:
    for state, word in (
        (State.MISSING, "not there"),
        (State.UNKNOWN, "nobody tells"),
        (State.OTHER, "another"),
    ):
        root, _ = picture(*drawn(state))
        assert word in texts(root)


def test_a_stranger_is_drawn_with_a_question_mark() -> None:
    stranger = Neighbour("SW-1", "p9", "", "laptop", "eth0", 7)
    root, _ = picture(Edge((("SW-1", "p9"), ("laptop", "eth0")), State.EXTRA, None, (stranger,)))
    assert "? laptop" in texts(root)
    assert "not in the map" in texts(root)


def test_hostile_names_stay_text() -> None:
    name = '</text><script>alert(1)</script>\x1b[31m"&'
    root, text = picture(Edge((("SW-1", name), (name, name)), State.EXTRA, None, ()))
    assert "<script>" not in text
    assert "\x1b" not in text
    assert root.tag.endswith("svg")


def test_the_description_tells_all_links() -> None:
    root, _ = picture(*drawn(State.FOUND))
    told = root.find("{http://www.w3.org/2000/svg}desc")
    assert told is not None
    assert "ring-5: SW-5 port p1 to SW-1 port p2, as drawn" in (told.text or "")


def test_no_links_at_all() -> None:
    root, _ = picture()
    assert root.tag.endswith("svg")
