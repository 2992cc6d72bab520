"""Tables of fields for the manual, made from the models, so that the pages cannot drift from the rules."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from pydantic import BaseModel

from probe.model.device_map import DeviceMap
from probe.model.nearest import listed
from probe.model.schedule_words import HEADINGS
from probe.model.schema_words import Schema, allowed, alternatives


def map_fields() -> str:
    """Markdown: one table for each group of fields of a device map."""
    return field_tables(DeviceMap, top="The map")


def field_tables(model: type[BaseModel], *, top: str) -> str:
    """Markdown: a table of the model's own fields, then one for each group below it, as they occur."""
    root = model.model_json_schema()
    return "\n".join(line for title, node in _groups(root, top) for line in _table(root, title, node))


def _groups(root: Schema, top: str) -> Iterator[tuple[str, Schema]]:
    """Each group of fields once, with the name of the field under which it stands."""
    waiting = [(top, root)]
    seen: set[str] = set()
    while waiting:
        title, node = waiting.pop(0)
        yield title, node
        for name, field in node.get("properties", {}).items():
            for inner in alternatives(root, field):
                below = list(alternatives(root, inner["items"])) if "items" in inner else [inner]
                for group in below:
                    key = str(group.get("title", ""))
                    if group.get("properties") and key not in seen:
                        seen.add(key)
                        waiting.append((f"`{name}`", group))


def _table(root: Schema, title: str, node: Schema) -> list[str]:
    required = set(node.get("required", ()))
    rows = [_row(root, name, field, name in required) for name, field in node["properties"].items()]
    head = ["| field | meaning | allowed | if left out |", "| --- | --- | --- | --- |"]
    return [f"### {title}", "", *head, *rows, ""]


def _row(root: Schema, name: str, field: Schema, required: bool) -> str:
    texts = dict.fromkeys(_allowed(root, node) for node in alternatives(root, field))
    cells = (f"`{name}`", field.get("description", ""), " or ".join(texts), _default(field, required))
    return "| " + " | ".join(cell.replace("|", "\\|").replace("<", "&lt;") for cell in cells) + " |"


def _allowed(root: Schema, node: Schema) -> str:
    if node.get("type") == "array":
        return "a list"
    if node.get("properties"):
        return "a group of fields, see below"
    if "enum" in node:
        return ", ".join(f"`{word}`" for word in node["enum"])
    return allowed(node)


def _default(field: Schema, required: bool) -> str:
    if required:
        return "**must be given**"
    default: Any = field.get("default")
    if default is None or default in ([], {}) or isinstance(default, dict):
        return ""
    return f"`{'yes' if default is True else default}`"


def schedule_headings() -> str:
    """Markdown: the headings of a device schedule that are understood."""
    rows = [f"| `{name}` | {listed(words)} |" for name, words in HEADINGS.items()]
    return "\n".join(["| field | headings |", "| --- | --- |", *rows])
