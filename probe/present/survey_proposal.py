"""Map lines for strangers, ready for the list ``devices``; what nobody told is left to be filled in."""

from __future__ import annotations

import re
from collections.abc import Iterator

from probe.collect.events import AuditResult
from probe.judge.network.strangers import Stranger, strangers_of
from probe.judge.network.wire_view import WireView
from probe.model.shape import BLANK

_HEAD = """\
# Devices that a survey saw and the map does not hold. Compare each with its nameplate, give it its tag, fill
# in what stands as "?", and move the lines below devices: of the map. Delete what does not belong there.
devices:
"""


def proposal(result: AuditResult) -> str:
    """The lines as YAML, empty where there is no stranger with an address."""
    view = WireView(result.lineup.map, result.network)
    found = [one for one in strangers_of(view) if one.address]
    if not found:
        return ""
    known = {name.casefold() for name in result.lineup.map.by_tag}
    return _HEAD + "".join(f"{line}\n" for one in found for line in _lines(one, known))


def _lines(one: Stranger, known: set[str]) -> Iterator[str]:
    yield f"  - tag: {_tag(one, known)}"
    yield "    kind: other"
    yield f'    profile: "{BLANK}"'
    yield f'    section: "{BLANK}"'
    yield f"    address: {{host: {one.address}}}"
    if one.hardware:
        yield f"    hardware_address: {one.hardware}"
    identity = {
        "maker": one.said.get("maker", ""),
        "model": one.said.get("model", ""),
        "firmware": one.said.get("version", ""),
    }
    told = ", ".join(f"{name}: {quoted(text)}" for name, text in identity.items() if text)
    if told:
        yield f"    identity: {{{told}}}"
    if not one.modbus:
        yield "    # it took no connection on the Modbus port 502"


def _tag(one: Stranger, known: set[str]) -> str:
    """A tag that no device of the map has: its own name if it told one, else from its address."""
    name = re.sub(r"[^A-Za-z0-9._-]+", "-", one.said.get("name", "")).strip("-._")[:40]
    tag = name if name and name.casefold() not in known else "NEW-" + one.address.replace(".", "-")
    known.add(tag.casefold())
    return tag


def quoted(text: str) -> str:
    """The text as a YAML scalar that every reader takes for this very text."""
    return "'" + text.replace("'", "''") + "'"
