"""The wall: every errno and every foreign exception becomes an outcome, and the known ones the right one."""

from __future__ import annotations

import asyncio
import errno
import os
import socket

import pytest

from probe.model.evidence import ConnectOutcome, Outcome
from probe.wire.failure import broken_outcome, connect_outcome, detail_of, port_outcome


def error_of(number: int) -> OSError:
    return OSError(number, os.strerror(number))


CONNECT = {
    errno.ECONNREFUSED: ConnectOutcome.REFUSED,
    errno.ETIMEDOUT: ConnectOutcome.NO_ANSWER,
    errno.EHOSTUNREACH: ConnectOutcome.NO_ROUTE,
    errno.ENETUNREACH: ConnectOutcome.NO_ROUTE,
    errno.ECONNRESET: ConnectOutcome.CLOSED_AT_ONCE,
    errno.ECONNABORTED: ConnectOutcome.CLOSED_AT_ONCE,
    errno.EPERM: ConnectOutcome.NOT_PERMITTED,
    errno.EACCES: ConnectOutcome.NOT_PERMITTED,
    errno.EADDRNOTAVAIL: ConnectOutcome.FAILED,
    errno.EMFILE: ConnectOutcome.FAILED,
    # as Windows numbers them (Windows Sockets error codes)
    10_061: ConnectOutcome.REFUSED,
    10_060: ConnectOutcome.NO_ANSWER,
    10_065: ConnectOutcome.NO_ROUTE,
    10_051: ConnectOutcome.NO_ROUTE,
    10_054: ConnectOutcome.CLOSED_AT_ONCE,
    10_013: ConnectOutcome.NOT_PERMITTED,
}


@pytest.mark.parametrize("number", CONNECT)
def test_known_numbers_of_connecting(number):
    assert connect_outcome(error_of(number)) is CONNECT[number]


BROKEN = {
    errno.ECONNRESET: Outcome.RESET,
    errno.EPIPE: Outcome.RESET,
    errno.ECONNABORTED: Outcome.RESET,
    10_054: Outcome.RESET,
    errno.ETIMEDOUT: Outcome.NO_ANSWER,
    errno.EHOSTUNREACH: Outcome.NO_ANSWER,
    10_060: Outcome.NO_ANSWER,
}


@pytest.mark.parametrize("number", BROKEN)
def test_known_numbers_of_an_open_connection(number):
    assert broken_outcome(error_of(number)) is BROKEN[number]


def test_every_number_of_the_system_is_mapped():
    for number in errno.errorcode:
        error = error_of(number)
        assert connect_outcome(error) not in (ConnectOutcome.OPEN, ConnectOutcome.NO_PORT)
        assert port_outcome(error) in (
            ConnectOutcome.NO_PORT, ConnectOutcome.NOT_PERMITTED, ConnectOutcome.FAILED
        )  # fmt: skip
        assert broken_outcome(error) in (Outcome.RESET, Outcome.NO_ANSWER)
        assert detail_of(error)


FOREIGN = [
    (TimeoutError(), ConnectOutcome.NO_ANSWER, Outcome.NO_ANSWER),
    (ConnectionRefusedError(errno.ECONNREFUSED, "x"), ConnectOutcome.REFUSED, Outcome.RESET),
    (ConnectionResetError(errno.ECONNRESET, "x"), ConnectOutcome.CLOSED_AT_ONCE, Outcome.RESET),
    (socket.gaierror(socket.EAI_NONAME, "x"), ConnectOutcome.NO_NAME, Outcome.RESET),
    (UnicodeError("label too long"), ConnectOutcome.NO_NAME, Outcome.RESET),
    (OSError("Multiple exceptions: a, b"), ConnectOutcome.FAILED, Outcome.RESET),
    (OverflowError("port"), ConnectOutcome.FAILED, Outcome.RESET),
    (asyncio.IncompleteReadError(b"", 2), ConnectOutcome.FAILED, Outcome.RESET),
    (asyncio.InvalidStateError(), ConnectOutcome.FAILED, Outcome.RESET),
    (
        RuntimeError("unable to perform operation; the handler is closed"),
        ConnectOutcome.FAILED,
        Outcome.RESET,
    ),
]


@pytest.mark.parametrize(("error", "connect", "broken"), FOREIGN, ids=[type(r[0]).__name__ for r in FOREIGN])
def test_foreign_exceptions(error, connect, broken):
    assert connect_outcome(error) is connect
    assert broken_outcome(error) is broken


def test_an_end_without_error_is_an_orderly_close():
    assert broken_outcome(None) is Outcome.CLOSED


def test_errors_of_serial_ports():
    from serial import PortNotOpenError, SerialException, SerialTimeoutException

    assert port_outcome(SerialException(errno.ENOENT, "no such port")) is ConnectOutcome.NO_PORT
    assert port_outcome(SerialException(errno.EACCES, "denied")) is ConnectOutcome.NOT_PERMITTED
    assert port_outcome(SerialException("could not open port")) is ConnectOutcome.NO_PORT
    assert port_outcome(PortNotOpenError()) is ConnectOutcome.NO_PORT
    assert port_outcome(ValueError("not a valid baudrate")) is ConnectOutcome.FAILED
    for error in (SerialException("gone"), SerialTimeoutException("Write timeout"), PortNotOpenError()):
        assert broken_outcome(error) is Outcome.RESET


def test_detail_is_one_clean_line():
    assert detail_of(OSError(1, "a\n\x1b[31mb" + "x" * 500)).isprintable()
    assert len(detail_of(OSError(1, "x" * 500))) == 200
    assert detail_of(TimeoutError()) == "TimeoutError"
