"""SNMP evidence: one request to an agent and what came of it, without community name and without keys.

A message of version 2c carries its community name, one of version 3 is sealed with keys: neither may stand
in a record. What is kept are the variable bindings of the answer (BER, as ``snmp_values`` reads them):
everything that a verdict rests on.
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple


class SnmpRequest(StrEnum):
    """What was asked for. Nothing else is ever sent: no SET (RFC 3416, 4.2.5) exists in this program."""

    GET = "get"
    NEXT = "next"
    BULK = "bulk"


class SnmpOutcome(StrEnum):
    """What became of one request. Only DATA is data; ERROR is an answer of the agent; all else is a fault."""

    DATA = "data"
    ERROR = "error"  # the agent's error-status; ``detail`` names it
    NO_ANSWER = "no answer"
    MALFORMED = "malformed"  # something came, but nothing that is an answer to what was asked
    NO_SECRET = "no secret"  # nothing was sent: community or keys are not to be had on this computer
    WRONG_SECRET = "wrong secret"  # the agent does not know the user, or the keys do not fit
    ENGINE_CHANGED = "engine changed"  # engine id or engine time moved; followed by one fresh discovery
    NOT_INCREASING = "not increasing"  # the agent goes round in circles: the walk was ended
    CAPPED = "capped"  # more rows than any switch has: the walk was ended
    NO_NAME = "no name"  # the host name does not resolve
    FAILED = "failed"  # the operating system or the library said so; ``detail`` holds its text


class SnmpAnswer(NamedTuple):
    """One request of SNMP and its answer.

    host: "address:port". object: name of what was asked, as in ``snmp_objects`` ("ifOperStatus"). asked: the
    object identifiers of the request, separated by blanks. round: 0, and 1 after the dwell. attempt: 1 first.
    bindings: BER of the answer's VarBindList (RFC 3416, 3), empty without an answer.
    """

    host: str
    tag: str
    object: str
    round: int
    attempt: int
    request: SnmpRequest
    asked: str
    sent_ns: int
    received_ns: int
    outcome: SnmpOutcome
    detail: str
    bindings: bytes
