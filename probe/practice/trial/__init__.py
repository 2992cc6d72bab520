"""Random lineups with random loads and at most a few injected faults, down to the bytes of their replies.

For the tests and the benchmark of the diagnosis. Faults are put into the wiring, the instruments, the
registers or the map; nothing here knows how the diagnosis works, and nothing here opens a socket.
"""
