"""Layer 2: evidence to findings by pure functions; no I/O, no clock."""
