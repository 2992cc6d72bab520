"""Decoders of frames: one module a protocol, bytes to frozen values, no I/O.

A malformed frame gives None or a value with what could be read; never an exception, never more work than the
frame is long.
"""
