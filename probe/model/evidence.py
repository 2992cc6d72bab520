"""Evidence: what was sent, what came back and when; raw, never judged.

All times are whole nanoseconds of the monotonic clock since the run's start (``Anchor`` ties them to
wall time). All classes here hold integers, text and bytes only, so that a record line made from them is
canonical JSON without floats.

``Exchange`` is a NamedTuple, not a frozen dataclass: one is made for each transaction, and creating a
frozen dataclass of this size costs 1.2 us against 0.2 us here (docs/decisions/0002).
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

from probe.model.network_evidence import NetworkEvidence


class Framing(StrEnum):
    """How a Modbus PDU is wrapped on the link."""

    MBAP = "mbap"  # Modbus TCP: 7-byte header, then PDU
    RTU = "rtu"  # unit, PDU, CRC; on a serial line or tunnelled in TCP


class Purpose(StrEnum):
    """Why a request was sent; the judge uses it, the wire does not."""

    IDENTITY = "identity"
    PROOF = "proof"
    POLL = "poll"
    FRESHNESS = "freshness"
    CLOCK = "clock"
    REFERENCE = "reference"
    CLOCK_SET = "clock set"  # the only purpose of a write: a device's clock, after somebody confirmed it
    WITNESS = "witness"  # polled fast while people act
    ABSENT_UNIT = "absent unit"  # asks a unit that the map does not hold: who answers for nobody?


class Outcome(StrEnum):
    """What became of one attempt. Only DATA is data; EXCEPTION is a proper answer; all else is a fault.

    The first block are replies (or their absence) to a request; the strays are bytes that answer nothing
    that is open. A reply is DATA or EXCEPTION only when transaction id, protocol, unit, function and byte
    count all match what was asked (MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3).
    """

    DATA = "data"
    EXCEPTION = "exception"
    NO_ANSWER = "no answer"
    CLOSED = "closed"  # orderly close by the other side while we waited
    RESET = "reset"
    WRONG_TRANSACTION = "wrong transaction"
    WRONG_PROTOCOL = "wrong protocol"
    WRONG_UNIT = "wrong unit"
    WRONG_FUNCTION = "wrong function"
    SHORT = "short"  # fewer bytes than asked for
    LONG = "long"
    ODD = "odd"  # byte count odd, or not that of the data that follows
    BAD_CHECKSUM = "bad checksum"
    BAD_FRAME = "bad frame"  # no frame can be made of the bytes
    NOT_SENT = "not sent"  # no connection, or the run ended first
    # strays
    LATE = "late"  # answers a request that was given up
    REPEATED = "repeated"  # a second answer to a request that was answered
    UNASKED = "unasked"  # a transaction id that was never used


class ConnectOutcome(StrEnum):
    """What became of one attempt to open a connection."""

    OPEN = "open"
    REFUSED = "refused"
    NO_ANSWER = "no answer"
    NO_ROUTE = "no route"
    CLOSED_AT_ONCE = "closed at once"
    NO_NAME = "no name"  # the host name does not resolve
    NO_PORT = "no port"  # the serial port does not exist or is taken
    NOT_PERMITTED = "not permitted"
    FAILED = "failed"  # any other error of the operating system; its text is in ``detail``


class Exchange(NamedTuple):
    """One attempt of one Modbus request, with all bytes as they stood on the wire.

    received_ns: when the last byte of the answer came, or when waiting ended.
    request, response: whole frames (MBAP or RTU with CRC); response is empty without an answer, and holds
    what came when it could not be accepted.
    """

    tag: str
    purpose: Purpose
    framing: Framing
    round: int  # number of the poll round (0 first); dwell makes more than one
    attempt: int  # 1 for the first try
    sent_ns: int
    received_ns: int
    outcome: Outcome
    exception_code: int  # 0 unless outcome is EXCEPTION
    request: bytes
    response: bytes

    @property
    def reply_ns(self) -> int:
        """Time from sending the request to the end of the answer, or of waiting."""
        return self.received_ns - self.sent_ns


class Stray(NamedTuple):
    """Bytes that came without being the answer to an open request; kept, never taken for data."""

    host: str  # "host:port" or serial port
    received_ns: int
    outcome: Outcome  # LATE, REPEATED, UNASKED, BAD_FRAME, ...
    data: bytes
    tag: str  # the device whose turn it was; empty when unknown


class Connect(NamedTuple):
    """One attempt to open a connection to a host (every one is counted in the record)."""

    host: str
    sent_ns: int
    received_ns: int
    outcome: ConnectOutcome
    detail: str
    local: str  # our own "address:port" (the interface used), empty when not open


class Disconnect(NamedTuple):
    """The end of a connection: by whom, and after how many requests."""

    host: str
    at_ns: int
    by_peer: bool
    requests: int


class Echo(NamedTuple):
    """One ICMP echo request. answered: False after the time-out."""

    host: str
    tag: str
    sent_ns: int
    received_ns: int
    answered: bool


class Neighbour(NamedTuple):
    """Hardware address that the operating system's neighbour table holds for a host; empty if none."""

    host: str
    tag: str
    at_ns: int
    hardware_address: str


class ReferenceSample(NamedTuple):
    """One reading of a reference clock other than a Modbus device.

    low_ns, high_ns bound (reference time - local wall time) in nanoseconds.
    usable: False when the reference itself says that it must not be trusted; ``reason`` says why.
    """

    source: str  # "laptop", "ntp host"
    sent_ns: int
    received_ns: int
    low_ns: int
    high_ns: int
    usable: bool
    reason: str
    data: bytes  # raw answer, empty for the laptop's own clock


class ClockDecision(NamedTuple):
    """Whether a device's clock was to be written, who said so, and why not if not.

    decision: "set", "declined" (the operator did not confirm) or "refused" (the tool would not; reason).
    said: what the operator typed, or "--yes". plan: what was shown: registers and device, in words.
    """

    tag: str
    at_ns: int
    decision: str
    operator: str
    said: str
    reason: str
    plan: str


class AnswerTopic(StrEnum):
    """What an operator's answer is about; also of a paper that was filled in by hand and typed in later."""

    BEGUN = "begun"  # from here on the item is being worked on
    ACKNOWLEDGED = "acknowledged"  # a caution was read and understood
    READY = "ready"  # everybody stands ready: from here on the act may happen
    DONE = "done"  # the person who acts says that the act is over
    CONFIRMED = "confirmed"  # what a person sees or hears: yes, no, or cannot tell
    VALUE = "value"  # a measured or read value, with its unit, as typed
    PHOTOGRAPH = "photograph"  # question: name of the file; said: SHA-256 of its bytes, hexadecimal
    REMARK = "remark"
    SKIPPED = "skipped"  # said: the reason
    STOPPED = "stopped"  # the item was abandoned with the stop key
    REPEATED = "repeated"  # the item is done once more; what was said before does not count any more
    PAUSED = "paused"
    RESUMED = "resumed"
    ENDED = "ended"  # the item is over


class OperatorAnswer(NamedTuple):
    """What a person said while the tool led through a procedure or a checklist.

    sheet: name of the procedure or checklist; item: id of its step or line; part: what of the item is
    answered (id of a caution, a confirmation or a value, empty for the item itself). tag: what the item is
    about (a device, cubicle, cable, supply), empty for the lineup. round: 1 when the item is done first.
    question: as the person saw it; said: what was answered ("yes", "no", "cannot tell", text, a number with
    its unit). initials: of who answered.
    """

    at_ns: int
    sheet: str
    item: str
    part: str
    tag: str
    round: int
    topic: AnswerTopic
    question: str
    said: str
    initials: str
    remark: str


class Note(NamedTuple):
    """Something about the run itself: a clock step, a missing right, an interruption.

    since_ns: when that began which ended at ``at_ns``; 0 for a moment.
    """

    at_ns: int
    topic: str  # "clock step", "not permitted", "interrupted", "paused", "stalled", ...
    text: str
    since_ns: int = 0


#: Topic of a note that says when a device (``text``: its tag) was judged: on the evidence with lower sequence
#: numbers, so that it can be judged again on just that. A device without one was not done when the run ended.
JUDGED = "judged"
#: Topic of a note that says why a run was ended by itself: the first serial numbers are not of this lineup.
WRONG_BOARD = "wrong board"


class Anchor(NamedTuple):
    """Ties the run's monotonic time to wall time: at ``at_ns`` the wall clock showed ``wall_ns`` (Unix)."""

    at_ns: int
    wall_ns: int


Evidence = (
    Exchange
    | Stray
    | Connect
    | Disconnect
    | Echo
    | Neighbour
    | ReferenceSample
    | ClockDecision
    | OperatorAnswer
    | Note
    | Anchor
    | NetworkEvidence
)
