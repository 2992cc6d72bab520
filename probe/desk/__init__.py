"""Layer 2: desk calculations; pure functions, no I/O, no clock."""
