"""The practice lineup: an invented switchboard on loopback, used by demo, tests and benchmarks."""
