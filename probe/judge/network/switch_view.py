"""What one agent told by SNMP: its scalars and tables, from the answers in the record, with their numbers.

Shape: a column is a mapping from the row's index (the identifier behind the column's own) to its value.
Answers that are no data hold nothing here; ``why_missing`` says why something is not there.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from functools import cached_property
from typing import NamedTuple

from probe.model.snmp_evidence import SnmpAnswer, SnmpOutcome
from probe.model.snmp_objects import BY_NAME, SCALARS
from probe.model.snmp_values import BerError, Binding, Oid, Value, decode
from probe.model.text_codec import clean_text

#: ifType of a bridge, a loopback, a tunnel, a VLAN ...: no ports (IANAifType-MIB, from memory).
_NO_PORTS = frozenset({24, 53, 131, 135, 136, 161, 209})
_UP = 1
_PORT_NAMES = ("ifName", "ifDescr", "ifAlias")


class Seen(NamedTuple):
    """One value as it came. number: of its line in the record; between: when, nanoseconds of the run."""

    value: Value
    number: int
    between: tuple[int, int]


class Interface(NamedTuple):
    """One interface. name: first of ifName, ifDescr, ifAlias that says something; names: all of them.

    speed_bps: 0 if not told. duplex: "full", "half" or "". up, wanted: whether it runs, and whether it should
    (ifOperStatus, ifAdminStatus).
    """

    ifindex: int
    name: str
    names: frozenset[str]
    type: int
    up: bool
    wanted: bool
    speed_bps: int
    duplex: str
    line: int

    @property
    def is_port(self) -> bool:
        """False for bridges, loopbacks and VLANs."""
        return self.type not in _NO_PORTS


class SwitchView:
    """All answers of one tag. turn 0: first reading; turn 1: after the dwell."""

    def __init__(self, tag: str, answers: Iterable[tuple[int, SnmpAnswer]]) -> None:
        self.tag = tag
        self.answers = tuple(answers)
        self._columns: dict[tuple[str, int], dict[Oid, Seen]] = {}
        self._scalars: dict[tuple[str, int], Seen] = {}
        for number, answer in self.answers:
            if answer.outcome is SnmpOutcome.DATA:
                self._take(number, answer)

    def _take(self, number: int, answer: SnmpAnswer) -> None:
        between = (answer.sent_ns, answer.received_ns)
        known = BY_NAME.get(answer.object)
        for binding in _bindings(answer):
            if not binding.is_there:
                continue
            seen = Seen(binding.value, number, between)
            scalar = SCALARS.get(binding.oid)
            if scalar is not None:
                self._scalars[scalar, answer.round] = seen
            elif known is not None and binding.oid[: len(known.oid)] == known.oid:
                rows = self._columns.setdefault((known.name, answer.round), {})
                rows[binding.oid[len(known.oid) :]] = seen

    # ------------------------------------------------------------------------------------------ reading

    @property
    def answers_at_all(self) -> bool:
        """True if any data came."""
        return bool(self._scalars or self._columns)

    def scalar(self, name: str, turn: int = 0) -> Seen | None:
        """A scalar as it came, None if it did not."""
        return self._scalars.get((name, turn))

    def whole(self, name: str, turn: int = 0) -> int | None:
        """A scalar that is a whole number."""
        seen = self.scalar(name, turn)
        return seen.value if seen is not None and isinstance(seen.value, int) else None

    def text(self, name: str) -> str:
        """A scalar as clean text; empty if it did not come."""
        seen = self.scalar(name)
        return text_of(seen.value) if seen is not None else ""

    def octets(self, name: str) -> bytes:
        """A scalar as the bytes that came; empty if it did not."""
        seen = self.scalar(name)
        return seen.value if seen is not None and isinstance(seen.value, bytes) else b""

    def column(self, name: str, turn: int = 0) -> Mapping[Oid, Seen]:
        """A column's rows by their index."""
        return self._columns.get((name, turn), {})

    def numbers(self, name: str, turn: int = 0) -> dict[Oid, int]:
        """The rows of a column that are whole numbers."""
        return {i: seen.value for i, seen in self.column(name, turn).items() if isinstance(seen.value, int)}

    def texts(self, name: str) -> dict[Oid, str]:
        """The rows of a column as clean text."""
        return {index: text_of(seen.value) for index, seen in self.column(name).items()}

    def lines(self, *names: str) -> tuple[int, ...]:
        """Numbers of the record's lines that these objects stand in."""
        found = {
            seen.number for name in names for turn in (0, 1) for seen in self.column(name, turn).values()
        }
        found |= {
            seen.number for name in names for turn in (0, 1) if (seen := self.scalar(name, turn)) is not None
        }
        return tuple(sorted(found))

    def was_asked(self, name: str, turn: int = 0) -> bool:
        """True if the object was asked for in that turn, itself or with its group."""
        oid = ".".join(map(str, BY_NAME[name].oid))
        return any(
            answer.round == turn and (answer.object == name or oid in answer.asked)
            for _, answer in self.answers
        )

    def is_cut(self, name: str) -> bool:
        """True if the walk over a column was ended before its end, so that rows may be missing."""
        ends = [answer.outcome for _, answer in self.answers if answer.object == name]
        return bool(ends) and ends[-1] is not SnmpOutcome.DATA

    # ------------------------------------------------------------------------------------------ interfaces

    @cached_property
    def interfaces(self) -> tuple[Interface, ...]:
        """All interfaces in the order of their indices."""
        return tuple(self._interface(index) for index in sorted(self.column("ifOperStatus")))

    @cached_property
    def ports(self) -> tuple[Interface, ...]:
        """The interfaces that cables are plugged into."""
        return tuple(one for one in self.interfaces if one.is_port)

    def port(self, name: str) -> Interface | None:
        """The interface that has this name, capitals and blanks aside; None if none or several have it."""
        wanted = plain(name)
        found = [one for one in self.interfaces if wanted in one.names]
        return found[0] if len(found) == 1 else None

    def _interface(self, index: Oid) -> Interface:
        names = [self.texts_of(column, index) for column in _PORT_NAMES]
        told = [name for name in names if name]
        high = self._number("ifHighSpeed", index)
        speed_bps = high * 1_000_000 if high else self._number("ifSpeed", index)
        return Interface(
            ifindex=index[-1] if index else 0,
            name=told[0] if told else ".".join(map(str, index)),
            names=frozenset(plain(name) for name in told),
            type=self._number("ifType", index),
            up=self._number("ifOperStatus", index) == _UP,
            wanted=self._number("ifAdminStatus", index) == _UP,
            speed_bps=speed_bps,
            duplex={2: "half", 3: "full"}.get(self._number("dot3StatsDuplexStatus", index), ""),
            line=self.column("ifOperStatus")[index].number,
        )

    def texts_of(self, column: str, index: Oid) -> str:
        """One cell of a column as clean text; empty if it did not come."""
        seen = self.column(column).get(index)
        return text_of(seen.value) if seen is not None else ""

    def _number(self, column: str, index: Oid) -> int:
        seen = self.column(column).get(index)
        return seen.value if seen is not None and isinstance(seen.value, int) else 0

    @cached_property
    def by_bridge_port(self) -> dict[int, Interface]:
        """The interface of each port number of the bridge (dot1dBasePortIfIndex)."""
        by_index = {one.ifindex: one for one in self.interfaces}
        pairs = self.numbers("dot1dBasePortIfIndex").items()
        return {port[-1]: by_index[index] for port, index in pairs if port and index in by_index}

    # ------------------------------------------------------------------------------------------ reasons

    def why_missing(self, what: str = "") -> str:
        """In words, why the agent has nothing, or not this; for "not tested"."""
        if not self.answers:
            return "it was not asked by SNMP"
        if self.answers_at_all:
            return f"the agent does not offer {what}" if what else "the agent does not tell"
        last = self.answers[-1][1]
        return _REASONS.get(last.outcome, "nothing usable came by SNMP") + (
            f" ({last.detail})" if last.detail and last.outcome in _TOLD else ""
        )


_REASONS = {
    SnmpOutcome.NO_ANSWER: "no answer to SNMP: none there, or another community name, or a filter between",
    SnmpOutcome.NO_SECRET: "community name or keys are not to be had",
    SnmpOutcome.WRONG_SECRET: "the agent does not take this user or these keys",
    SnmpOutcome.ENGINE_CHANGED: "the agent's engine id or engine time kept changing",
    SnmpOutcome.MALFORMED: "what came by SNMP was no answer",
    SnmpOutcome.ERROR: "the agent answered with an error",
    SnmpOutcome.NO_NAME: "the agent's host name does not resolve",
    SnmpOutcome.FAILED: "SNMP could not be spoken on this computer",
}
_TOLD = (SnmpOutcome.NO_SECRET, SnmpOutcome.WRONG_SECRET, SnmpOutcome.ERROR, SnmpOutcome.FAILED)


def _bindings(answer: SnmpAnswer) -> Iterator[Binding]:
    """The answer's bindings; none if its bytes are no list of them (a record from elsewhere)."""
    try:
        yield from decode(answer.bindings)
    except BerError:
        return


def text_of(value: Value) -> str:
    """A value as clean text for people, at most 64 characters."""
    if isinstance(value, bytes):
        return clean_text(value)[0][:64]
    return ".".join(map(str, value)) if isinstance(value, tuple) else str(value)


def plain(name: str) -> str:
    """A name as names are compared: capitals and blanks aside."""
    return "".join(name.split()).casefold()
