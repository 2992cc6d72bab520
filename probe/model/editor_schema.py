"""JSON Schema of what people write, made so that a YAML editor completes and checks as one types.

Editors read YAML's own types: an unquoted ``2.10`` is a number there and ``yes`` may be a truth value,
where our reader keeps every text as written. So texts may be numbers in the schema, and yes/no fields
may be the words.
"""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from probe.model.device_map import MAP_FORMAT, DeviceMap

DIALECT = "https://json-schema.org/draft/2020-12/schema"

_ON_OFF = {"on": True, "off": False, "yes": True, "no": False}


def map_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a device map."""
    return editor_schema(DeviceMap, title=f"Device map ({MAP_FORMAT})")


def editor_schema(model: type[BaseModel], *, title: str) -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the model for YAML editors."""
    schema: dict[str, Any] = _softened(model.model_json_schema())
    return {"$schema": DIALECT, **schema, "title": title}


def _softened(node: Any) -> Any:
    """The schema with texts and truth values as YAML editors see them; our keywords turned to words."""
    if isinstance(node, list):
        return [_softened(item) for item in node]
    if not isinstance(node, dict):
        return node
    soft = {key: _softened(value) for key, value in node.items() if key != "x-allowed"}
    if "x-allowed" in node:
        words = f"{node.get('description', '')} Allowed: {node['x-allowed']}."
        soft["description"] = words.strip()
    if isinstance(node.get("enum"), list):
        soft["enum"] = node["enum"] + [_ON_OFF[word] for word in node["enum"] if word in _ON_OFF]
        soft.pop("type", None)
    elif node.get("type") == "string" and "format" not in node:
        soft["type"] = ["string", "number"]
    elif node.get("type") == "boolean":
        soft = {
            **{key: value for key, value in soft.items() if key != "type"},
            "enum": [True, False, "yes", "no"],
        }
    return soft
