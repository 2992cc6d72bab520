"""One SNMP request and its answer in words, its values decoded from the raw bytes of the record."""

from __future__ import annotations

from probe.judge.network.switch_view import text_of
from probe.model.snmp_evidence import SnmpAnswer
from probe.model.snmp_objects import BY_NAME, SCALARS
from probe.model.snmp_values import BerError, Binding, decode, oid_text

_MOST = 8


def snmp_words(answer: SnmpAnswer) -> str:
    """``SNMP bulk of ifOperStatus at 10.20.1.2:161: data; ifOperStatus.1 = 1, ifOperStatus.2 = 2``."""
    detail = f" ({answer.detail})" if answer.detail else ""
    head = f"SNMP {answer.request} of {answer.object} at {answer.host}: {answer.outcome}{detail}"
    try:
        told = [_words(answer, one) for one in decode(answer.bindings) if _belongs(answer, one)]
    except BerError as error:
        return f"{head}; its bytes cannot be read: {error}"
    if not told:
        return head
    more = f" and {len(told) - _MOST} more" if len(told) > _MOST else ""
    return f"{head}; {', '.join(told[:_MOST])}{more}"


def _belongs(answer: SnmpAnswer, one: Binding) -> bool:
    """False for what a walk brought from behind its column."""
    known = BY_NAME.get(answer.object)
    return known is None or one.oid[: len(known.oid)] == known.oid


def _words(answer: SnmpAnswer, one: Binding) -> str:
    """One variable: its name in its MIB where it is one that was asked for, and its value."""
    known = BY_NAME.get(answer.object)
    if one.oid in SCALARS:
        name = SCALARS[one.oid]
    elif known is not None and one.oid[: len(known.oid)] == known.oid:
        name = f"{known.name}.{oid_text(one.oid[len(known.oid) :])}"
    else:
        name = oid_text(one.oid)
    if not one.is_there:
        return f"{name} is not there"
    if isinstance(one.value, bytes) and not all(32 <= byte < 127 for byte in one.value):
        return f"{name} = {one.value[:16].hex(' ')}"
    return f"{name} = {text_of(one.value)}"
