"""Decoders of frames: bytes to frozen values, one module a protocol. Pure; used by wire, collect and judge.

Every decoder raises ``FrameError`` for bytes that are not what it decodes, reads at most what it was given
and makes no more values than the bytes can hold. ``seen.read`` finds the right one.
"""
