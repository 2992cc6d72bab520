"""Whether the system's clock is kept by a source of time, as far as the system tells.

Linux says it through ``adjtimex`` (read only; no right is needed). Elsewhere it is unknown, and said so.
Source: adjtimex(2), Linux man-pages (struct timex, STA_UNSYNC, TIME_ERROR).
"""

from __future__ import annotations

import ctypes
import sys
from typing import NamedTuple

_UNSYNC = 0x40  # STA_UNSYNC
_ERROR = 5  # TIME_ERROR
_LONG = ctypes.c_long


class SyncState(NamedTuple):
    """known: the system tells. error_ns: largest error by the kernel's account when synchronised."""

    known: bool
    synchronised: bool
    error_ns: int


UNKNOWN = SyncState(known=False, synchronised=False, error_ns=0)


class _Timex(ctypes.Structure):
    """struct timex, with room behind it for what later kernels may add."""

    _fields_ = [
        ("modes", ctypes.c_uint),
        *((name, _LONG) for name in ("offset", "freq", "maxerror", "esterror")),
        ("status", ctypes.c_int),
        *((name, _LONG) for name in ("constant", "precision", "tolerance", "seconds", "fraction", "tick")),
        *((name, _LONG) for name in ("ppsfreq", "jitter")),
        ("shift", ctypes.c_int),
        *((name, _LONG) for name in ("stabil", "jitcnt", "calcnt", "errcnt", "stbcnt")),
        ("tai", ctypes.c_int),
        ("room", ctypes.c_int * 32),
    ]


def sync_state() -> SyncState:
    """The state of this computer's clock; UNKNOWN where the system does not tell; never raises."""
    if not sys.platform.startswith("linux"):
        return UNKNOWN
    timex = _Timex()
    try:
        result = ctypes.CDLL(None).adjtimex(ctypes.byref(timex))
    except (OSError, AttributeError):
        return UNKNOWN
    return state_of(result, timex.status, timex.maxerror)


def state_of(result: int, status: int, maxerror_us: int) -> SyncState:
    """What the answer of adjtimex means. result: clock state or -1; maxerror_us: as the kernel gives it."""
    if result < 0:
        return UNKNOWN
    if result == _ERROR or status & _UNSYNC:
        return SyncState(known=True, synchronised=False, error_ns=0)
    return SyncState(known=True, synchronised=True, error_ns=max(0, maxerror_us) * 1000)
