"""Bodies of the evidence of the network: how each kind comes back from its line."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import StrEnum
from typing import Any, get_type_hints

from probe.model.capture_evidence import CaptureFile
from probe.model.failover_evidence import Beat, LinkStep
from probe.model.network_evidence import (
    ForwardingEntry,
    Frame,
    Listening,
    NetworkEvidence,
    OwnInterface,
    Route,
    SecretSeen,
    ServiceProbe,
    Sweep,
    Talk,
)
from probe.model.snmp_evidence import SnmpAnswer

Body = Mapping[str, Any]

NETWORK_KINDS: dict[type, str] = {
    OwnInterface: "interface",
    Route: "route",
    Frame: "frame",
    Talk: "talk",
    Listening: "listening",
    Sweep: "sweep",
    SecretSeen: "secret seen",
    ServiceProbe: "service",
    ForwardingEntry: "forwarding",
    SnmpAnswer: "snmp",
    LinkStep: "link step",
    Beat: "beat",
    CaptureFile: "capture file",
}


def _field(value: Any, kind: type) -> Any:
    """A field from its form in the line. Raises TypeError or ValueError if it is none of its kind."""
    if kind is int:
        return int(value)
    if kind is bytes:
        return bytes.fromhex(value)
    if issubclass(kind, StrEnum):
        return kind(value)
    if not isinstance(value, kind):
        raise TypeError(f"{kind.__name__} expected, found {type(value).__name__}")
    return value


def _builder(form: Any) -> Callable[[Body], NetworkEvidence]:
    """What builds one kind of evidence (a NamedTuple) from its body."""
    fields = get_type_hints(form)

    def build(body: Body) -> NetworkEvidence:
        return form(**{name: _field(body[name], kind) for name, kind in fields.items()})  # type: ignore[no-any-return]

    return build


NETWORK_BUILDERS: dict[str, Callable[[Body], NetworkEvidence]] = {
    word: _builder(form) for form, word in NETWORK_KINDS.items()
}
