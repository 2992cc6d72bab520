"""The network as a picture: switches, their links, what hangs on them; expected against found. SVG. Pure.

A link as drawn is a whole dark line; one that nobody tells of is dotted; one that is not there or lies
elsewhere is thick, dashed and named in words; one that the map does not hold is double. Words stand beside
every colour.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

from probe.judge.network.spanning_tree import is_spanning, roles, root_address
from probe.judge.network.spanning_tree import own_address as bridge_of
from probe.judge.network.switch_check import views_in
from probe.judge.network.switch_view import SwitchView
from probe.judge.network.topology import Edge, State, Topology, topology
from probe.model.device_map import DeviceMap, Kind
from probe.model.evidence import Evidence
from probe.present.svg_paper import INK, caption, picture

#: In units of the picture.
_BOX_W, _BOX_H, _COLUMN, _MARGIN, _TOP = 150, 46, 330, 60, 74
_LEAF_W, _LEAF_H, _LEAF_GAP, _FIRST_LEAF = 150, 24, 44, 70
_PER_ROW, _ROW_GAP, _LEGEND_H = 3, 90, 86
_QUIET, _BAD, _ODD = "#5d6b7a", "#b3261e", "#9a5b00"


class _Look(NamedTuple):
    """How a state is drawn, and its word."""

    colour: str
    width: float
    dash: str
    word: str


_LOOKS = {
    State.FOUND: _Look(INK, 1.8, "", "as drawn"),
    State.UNKNOWN: _Look(_QUIET, 1.4, "2 4", "drawn, nobody tells"),
    State.MISSING: _Look(_BAD, 3.0, "9 5", "not there"),
    State.ELSEWHERE: _Look(_BAD, 3.0, "9 5", "in other ports"),
    State.OTHER: _Look(_BAD, 3.0, "9 5", "another device"),
    State.EXTRA: _Look(_ODD, 3.0, "", "not in the map"),
}


class _Box(NamedTuple):
    """One node: its name, a line below it, its corner and size, whether the map holds it."""

    name: str
    note: str
    x: float
    y: float
    width: float
    height: float
    known: bool

    @property
    def middle(self) -> tuple[float, float]:
        return self.x + self.width / 2, self.y + self.height / 2


def topology_svg(found: Topology, lineup: DeviceMap, views: Mapping[str, SwitchView], title: str) -> str:
    """The picture as SVG text; the whole network in words is its description."""
    boxes = _placed(found, lineup, views)
    columns = max(1, min(_PER_ROW, sum(box.height == _BOX_H for box in boxes.values())))
    width = max(620.0, 2 * _MARGIN + _COLUMN * columns - (_COLUMN - _BOX_W) + 90)
    bottom = max((box.y + box.height for box in boxes.values()), default=_TOP)
    height = bottom + _LEGEND_H
    parts = [caption(20, 28, title, size=16, weight="bold")]
    drawn: dict[frozenset[str], int] = {}
    lines: list[str] = []
    texts: list[str] = []
    for edge in found.edges:
        for part in (*_edge(edge, boxes, views, drawn), *_seen_instead(edge, boxes)):
            (texts if part.startswith("<text") else lines).append(part)
    parts += [*lines, *(part for box in boxes.values() for part in _box(box)), *texts]
    parts += _legend(found, bottom + 34)
    said = "; ".join(edge_sentence(edge) for edge in found.edges) or "no links"
    return picture(width, height, title, parts, said)


def network_svg(lineup: DeviceMap, evidence: Iterable[tuple[int, Evidence]]) -> str:
    """The picture of what a run's evidence tells of the network."""
    views = views_in(evidence)
    return topology_svg(topology(lineup, views), lineup, views, f"{lineup.site}, {lineup.lineup}: network")


def edge_sentence(edge: Edge) -> str:
    """One link in words: ``ring-1: SW-1 port p1 to SW-2 port p1, as drawn``."""
    ends = " to ".join(f"{name} port {port}" if port else name for name, port in edge.ends)
    name = f"{edge.link.name}: " if edge.link is not None else ""
    return f"{name}{ends}, {_LOOKS[edge.state].word}"


# --- places ------------------------------------------------------------------------------------------------


def _placed(found: Topology, lineup: DeviceMap, views: Mapping[str, SwitchView]) -> dict[str, _Box]:
    """Every node of the picture by its name: switches in rows, what hangs on each below it."""
    switches = [device.tag for device in lineup.devices if device.kind is Kind.SWITCH]
    leaves = _leaves(found, switches)
    boxes: dict[str, _Box] = {}
    top = float(_TOP)
    for start in range(0, len(switches), _PER_ROW):
        row = switches[start : start + _PER_ROW]
        for number, tag in enumerate(row):
            back = start // _PER_ROW % 2  # rows run to and fro, so that neighbours in a ring stay neighbours
            x = _MARGIN + _COLUMN * (_PER_ROW - 1 - number if back else number)
            boxes[tag] = _Box(tag, _note(tag, views), x, top, _BOX_W, _BOX_H, known=True)
            for place, name in enumerate(leaves.get(tag, ())):
                y = top + _BOX_H + _FIRST_LEAF + _LEAF_GAP * place
                known = name in lineup.by_tag
                boxes[name] = _Box(name, "", x + 60, y, _LEAF_W, _LEAF_H, known=known)
        deepest = max((len(leaves.get(tag, ())) for tag in row), default=0)
        top += _BOX_H + _ROW_GAP + (_FIRST_LEAF + _LEAF_GAP * deepest if deepest else 0)
    return boxes


def _leaves(found: Topology, switches: Iterable[str]) -> dict[str, list[str]]:
    """By switch: everything else that hangs on it, or should; each once."""
    known = set(switches)
    placed: dict[str, list[str]] = {}
    seen: set[str] = set()
    for edge in found.edges:
        names = [name for name, _ in edge.ends] + [one.name for one in edge.seen]
        home = next((name for name in names if name in known), None)
        for name in names:
            if name not in known and name not in seen and home is not None:
                seen.add(name)
                placed.setdefault(home, []).append(name)
    return placed


def _note(tag: str, views: Mapping[str, SwitchView]) -> str:
    """What stands below a switch's name."""
    view = views.get(tag)
    if view is None or not view.answers_at_all:
        return "tells nothing by SNMP"
    if is_spanning(view) and root_address(view) == bridge_of(view):
        return "root of the spanning tree"
    up = sum(one.up for one in view.ports)
    return f"{up} of {len(view.ports)} ports up"


# --- drawing -----------------------------------------------------------------------------------------------


def _edge(
    edge: Edge, boxes: Mapping[str, _Box], views: Mapping[str, SwitchView], drawn: dict[frozenset[str], int]
) -> Iterator[str]:
    """One link: its line, the ports at its ends, its name and, unless it is as drawn, its state in words."""
    (one, port), (two, far_port) = edge.ends
    if one not in boxes or two not in boxes:
        return
    pair = frozenset((one, two))
    turn = drawn[pair] = drawn.get(pair, -1) + 1
    a, b = boxes[one], boxes[two]
    look = _LOOKS[edge.state]
    dash = f' stroke-dasharray="{look.dash}"' if look.dash else ""
    style = f'fill="none" stroke="{look.colour}" stroke-width="{look.width}"{dash}'
    if a.height == _BOX_H and b.height == _BOX_H:
        path, at, ends = _between_switches(a, b, turn)
        anchors = ("middle", "middle")
        if a.y == b.y and abs(a.x - b.x) == _COLUMN:
            anchors = ("start", "end") if a.x < b.x else ("end", "start")
    else:
        switch, leaf = (a, b) if a.height == _BOX_H else (b, a)
        if a is not switch:
            port, far_port = far_port, port
            one, two = two, one
        path, at, ends = _to_leaf(switch, leaf)
        anchors = ("end", "start")
    yield f'<path d="{path}" {style}/>'
    if edge.state is State.EXTRA:
        yield f'<path d="{path}" fill="none" stroke="#ffffff" stroke-width="1"/>'
    for (x, y), anchor, name in zip(
        ends, anchors, (_port(one, port, views), _port(two, far_port, views)), strict=True
    ):
        if name:
            yield _halo((x, y), name, _Manner(10, anchor, _QUIET))
    name = edge.link.name if edge.link is not None else ""
    words = name if edge.state is State.FOUND else f"{name}: {look.word}" if name else look.word
    if (a.height == _BOX_H and b.height == _BOX_H) or edge.state is not State.FOUND:
        yield _halo(at, words, _Manner(11, "middle", look.colour, "bold"))


def _seen_instead(edge: Edge, boxes: Mapping[str, _Box]) -> Iterator[str]:
    """Lines to the devices that are seen at a link where another one is drawn."""
    if edge.state is not State.OTHER:
        return
    look = _LOOKS[State.EXTRA]
    for one in edge.seen:
        switch, leaf = boxes.get(one.switch), boxes.get(one.name)
        if switch is not None and leaf is not None and leaf.height == _LEAF_H:
            path, _, ends = _to_leaf(switch, leaf, 38)
            yield f'<path d="{path}" fill="none" stroke="{look.colour}" stroke-width="{look.width}"/>'
            yield f'<path d="{path}" fill="none" stroke="#ffffff" stroke-width="1"/>'
            yield _halo(ends[0], one.port, _Manner(10, "end", _QUIET))


def _port(tag: str, port: str, views: Mapping[str, SwitchView]) -> str:
    """The port's name, and that the spanning tree holds it shut."""
    view = views.get(tag)
    blocked = view is not None and is_spanning(view) and "blocking" in roles(view).get(port, "")
    return f"{port} (blocking)" if blocked else port


_Points = tuple[str, tuple[float, float], tuple[tuple[float, float], tuple[float, float]]]


def _between_switches(a: _Box, b: _Box, turn: int) -> _Points:
    """A straight line between neighbours, an arc over those between; parallel links beside each other."""
    left, right = (a, b) if a.middle <= b.middle else (b, a)
    flip = left is not a
    steps = round((right.x - left.x) / _COLUMN) if left.y == right.y else 0
    shift = 14.0 * ((turn + 1) // 2) * (1 if turn % 2 else -1)
    if steps == 1:
        y = left.y + _BOX_H / 2 + shift
        x1, x2 = left.x + left.width, right.x
        path = f"M{x1:.1f},{y:.1f} L{x2:.1f},{y:.1f}"
        ends = ((x1 + 8, y - 5), (x2 - 8, y - 5))
        at = ((x1 + x2) / 2, y + 15)
    elif steps:
        x1, x2 = left.middle[0] + 20 + shift, right.middle[0] - 20 - shift
        y, top = left.y, left.y - 16 * steps - abs(shift)
        path = f"M{x1:.1f},{y:.1f} C{x1:.1f},{top:.1f} {x2:.1f},{top:.1f} {x2:.1f},{y:.1f}"
        ends = ((x1 - 26, y - 6), (x2 + 30, y - 6))
        at = ((x1 + x2) / 2, y - (y - top) * 0.75 + 3)
    else:
        (x1, y1), (x2, y2) = left.middle, right.middle
        y1, y2 = (left.y + _BOX_H, right.y) if left.y < right.y else (left.y, right.y + _BOX_H)
        x1, x2 = x1 + shift, x2 + shift
        path = f"M{x1:.1f},{y1:.1f} L{x2:.1f},{y2:.1f}"
        down = 14 if y1 < y2 else -8
        ends = ((x1 + 16, y1 + down), (x2 + 16, y2 - down + 4))
        share = 0.6 if y1 < y2 else 0.4  # nearer the lower one, where less hangs
        at = (x1 + share * (x2 - x1), y1 + share * (y2 - y1))
    return path, at, (ends[1], ends[0]) if flip else ends


def _to_leaf(switch: _Box, leaf: _Box, at: int = 24) -> _Points:
    """Down from the switch along its left side, then across to what hangs on it."""
    x, y = switch.x + at, leaf.y + leaf.height / 2
    path = f"M{x:.1f},{switch.y + switch.height:.1f} L{x:.1f},{y:.1f} L{leaf.x:.1f},{y:.1f}"
    return (
        path,
        (leaf.x + leaf.width / 2, leaf.y - 5),
        ((leaf.x - 4, y - 5), (leaf.x + leaf.width + 6, y + 4)),
    )


def _box(box: _Box) -> Iterator[str]:
    """One node; what the map does not hold has a dashed frame and says so."""
    dash = "" if box.known else ' stroke-dasharray="5 3"'
    colour = INK if box.known else _ODD
    yield (
        f'<rect x="{box.x:.1f}" y="{box.y:.1f}" width="{box.width}" height="{box.height}" rx="4" '
        f'fill="#eef2f5" stroke="{colour}" stroke-width="1.4"{dash}/>'
    )
    x, y = box.middle
    name = box.name if box.known else f"? {box.name}"
    if box.note:
        yield caption(x, y - 3, _short(name, 20), size=14, weight="bold", anchor="middle")
        yield caption(x, y + 14, box.note, size=10, anchor="middle", colour=_QUIET)
    else:
        yield caption(x, y + 4, _short(name, 22), size=12, anchor="middle", colour=colour)


def _legend(found: Topology, y: float) -> Iterator[str]:
    """The sorts of lines that occur, in words."""
    present = [state for state in _LOOKS if any(edge.state is state for edge in found.edges)]
    x = 20.0
    for state in present:
        look = _LOOKS[state]
        dash = f' stroke-dasharray="{look.dash}"' if look.dash else ""
        yield (
            f'<line x1="{x:.0f}" y1="{y:.0f}" x2="{x + 34:.0f}" y2="{y:.0f}" stroke="{look.colour}" '
            f'stroke-width="{look.width}"{dash}/>'
        )
        if state is State.EXTRA:
            yield f'<line x1="{x:.0f}" y1="{y:.0f}" x2="{x + 34:.0f}" y2="{y:.0f}" stroke="#ffffff"/>'
        yield caption(x + 40, y + 4, look.word, size=11)
        x += 66 + 6.4 * len(look.word)
    told = ", ".join(sorted(found.tells)) or "no switch"
    yield caption(
        20, y + 26, f"From the neighbours (LLDP) that {told} told, against the links of the map.", size=11
    )


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"


class _Manner(NamedTuple):
    """How a text on lines is set."""

    size: int
    anchor: str
    colour: str
    weight: str = ""


def _halo(at: tuple[float, float], text: str, manner: _Manner) -> str:
    """A text that lies on lines, with a white rim."""
    more = ' paint-order="stroke" stroke="#ffffff" stroke-width="4" stroke-linejoin="round"'
    size, anchor, colour, weight = manner
    return caption(*at, text, size=size, weight=weight, anchor=anchor, colour=colour, more=more)
