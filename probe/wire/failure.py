"""The single wall: every error of the operating system or a library becomes a named outcome here.

Nothing but ``asyncio.CancelledError`` passes a link; a test walks the errno values and the exception
classes of asyncio, socket and pyserial.
"""

from __future__ import annotations

import errno
import socket

from probe.model.evidence import ConnectOutcome, Outcome

# Windows numbers beside the POSIX names: the socket calls of Windows give WSAE... values in errno.
_NO_ROUTE = {errno.ENETUNREACH, errno.EHOSTUNREACH, errno.ENETDOWN, 10_050, 10_051, 10_064, 10_065}
_NO_ROUTE |= {getattr(errno, name) for name in ("EHOSTDOWN", "ENONET") if hasattr(errno, name)}
_NO_ANSWER = {errno.ETIMEDOUT, 10_060}
_REFUSED = {errno.ECONNREFUSED, 10_061}
_RESET = {errno.ECONNRESET, errno.ECONNABORTED, errno.EPIPE, 10_053, 10_054}
_NOT_PERMITTED = {errno.EACCES, errno.EPERM, 10_013}

_CONNECT_TABLE = (
    (_REFUSED, ConnectOutcome.REFUSED),
    (_NO_ROUTE, ConnectOutcome.NO_ROUTE),
    (_NO_ANSWER, ConnectOutcome.NO_ANSWER),
    (_RESET, ConnectOutcome.CLOSED_AT_ONCE),
    (_NOT_PERMITTED, ConnectOutcome.NOT_PERMITTED),
)


def connect_outcome(error: BaseException) -> ConnectOutcome:
    """What a failed attempt to open a TCP connection came to."""
    if isinstance(error, (socket.gaierror, socket.herror, UnicodeError)):
        return ConnectOutcome.NO_NAME
    number = getattr(error, "errno", None)
    for numbers, outcome in _CONNECT_TABLE:
        if number in numbers:
            return outcome
    if isinstance(error, TimeoutError):
        return ConnectOutcome.NO_ANSWER
    return ConnectOutcome.FAILED


def port_outcome(error: BaseException) -> ConnectOutcome:
    """What a failed attempt to open a serial port came to.

    FAILED is left for a port that is there but does not bear the line's settings (speed, parity).
    """
    if getattr(error, "errno", None) in _NOT_PERMITTED or isinstance(error, PermissionError):
        return ConnectOutcome.NOT_PERMITTED
    if isinstance(error, TimeoutError) or not isinstance(error, OSError):
        return ConnectOutcome.FAILED
    return ConnectOutcome.NO_PORT


def broken_outcome(error: BaseException | None) -> Outcome:
    """What the end of an open connection was to the request that waited on it.

    error: None for an orderly close by the other side.
    """
    if error is None:
        return Outcome.CLOSED
    number = getattr(error, "errno", None)
    if number in _NO_ROUTE | _NO_ANSWER or (isinstance(error, TimeoutError) and number is None):
        return Outcome.NO_ANSWER
    return Outcome.RESET


def detail_of(error: BaseException) -> str:
    """One line about the error for the record: class and text, no control characters."""
    text = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    return "".join(c if c.isprintable() else " " for c in text)[:200]
