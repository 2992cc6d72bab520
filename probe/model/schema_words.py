"""What a JSON Schema allows at a path, in plain words; for messages about maps and profiles.

A type may bring its own words as ``x-allowed`` (``Field(json_schema_extra={"x-allowed": "..."})``), where
a pattern would mean nothing to people.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from probe.model.document import Path
from probe.model.nearest import listed

Schema = dict[str, Any]

_FORMATS = {
    "ipv4network": "a subnet such as 10.20.1.0/24",
    "ipv6network": "a subnet such as 10.20.1.0/24",
    "ipvanynetwork": "a subnet such as 10.20.1.0/24",
    "ipv4": "an IP address such as 10.20.1.1",
    "ipv6": "an IP address such as 10.20.1.1",
    "ipvanyaddress": "an IP address such as 10.20.1.1",
}


def alternatives(root: Schema, node: Schema) -> Iterator[Schema]:
    """The node with references followed and unions opened; null left out."""
    if "$ref" in node:
        name = node["$ref"].rpartition("/")[2]
        own = {key: value for key, value in node.items() if key != "$ref"}
        yield from alternatives(root, {**root.get("$defs", {})[name], **own})
        return
    if "properties" in node:  # a group of fields: its oneOf is a rule over them, no union
        yield node
        return
    branches = node.get("anyOf") or node.get("oneOf") or node.get("allOf")
    if branches is None:
        if node.get("type") != "null":
            yield node
        return
    own = {key: value for key, value in node.items() if key not in ("anyOf", "oneOf", "allOf", "default")}
    for branch in branches:
        for found in alternatives(root, branch):
            yield {**found, **own}


def schema_at(root: Schema, path: Path) -> list[Schema]:
    """All schemas that may hold at the path; empty if the path is not foreseen."""
    nodes = list(alternatives(root, root))
    for step in path:
        children = [child for node in nodes for child in _children(node, step)]
        nodes = [found for child in children for found in alternatives(root, child)]
    return nodes


def _children(node: Schema, step: str | int) -> Iterator[Schema]:
    if isinstance(step, int):
        prefix = node.get("prefixItems", [])
        if step < len(prefix):
            yield prefix[step]
        elif isinstance(node.get("items"), dict):
            yield node["items"]
        return
    if step in node.get("properties", {}):
        yield node["properties"][step]
    elif isinstance(node.get("additionalProperties"), dict):
        yield node["additionalProperties"]
    yield from node.get("patternProperties", {}).values()


def fields_at(root: Schema, path: Path) -> tuple[str, ...]:
    """Names of the fields that may stand at the path."""
    names = (name for node in schema_at(root, path) for name in node.get("properties", {}))
    return tuple(dict.fromkeys(names))


def allowed_at(root: Schema, path: Path) -> str:
    """What may stand at the path: ``a whole number from 1 to 65535``; "" if there is nothing to say."""
    texts = (allowed(node) for node in schema_at(root, path))
    return ", or ".join(dict.fromkeys(text for text in texts if text))


def allowed(node: Schema) -> str:
    """What one schema without references or unions allows."""
    if "x-allowed" in node:
        return str(node["x-allowed"])
    if "enum" in node:
        return listed(str(word) for word in node["enum"])
    if "const" in node:
        return str(node["const"])
    if node.get("format") in _FORMATS:
        return _FORMATS[node["format"]]
    words = _BY_TYPE.get(node.get("type", ""))
    return words(node) if words else ""


def _object(node: Schema) -> str:
    return f"the fields {listed(node['properties'])}" if node.get("properties") else "a group of fields"


def _range(node: Schema) -> str:
    low, high = node.get("minimum"), node.get("maximum")
    above, below = node.get("exclusiveMinimum"), node.get("exclusiveMaximum")
    if low is not None and high is not None:
        return f" from {low:g} to {high:g}" if abs(high) < 1e6 else f" from {low} to {high}"
    words = []
    if low is not None:
        words.append(f"at least {low:g}")
    if above is not None:
        words.append(f"above {above:g}")
    if high is not None:
        words.append(f"at most {high:g}")
    if below is not None:
        words.append(f"below {below:g}")
    return " " + " and ".join(words) if words else ""


def _length(node: Schema) -> str:
    low, high = node.get("minLength", 0), node.get("maxLength")
    if high is None:
        return f" of at least {low} characters" if low else ""
    return f" of {low} to {high} characters" if low != high else f" of {low} characters"


def _count(node: Schema) -> str:
    low, high = node.get("minItems", 0), node.get("maxItems")
    if high is None:
        return f", at least {low}" if low else ""
    return f", {low} to {high}"


_BY_TYPE: dict[str, Callable[[Schema], str]] = {
    "integer": lambda node: "a whole number" + _range(node),
    "number": lambda node: "a number" + _range(node),
    "boolean": lambda node: "yes or no",
    "array": lambda node: "a list, each entry after a dash" + _count(node),
    "object": _object,
    "string": lambda node: "a text" + _length(node),
}
