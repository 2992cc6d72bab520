"""Layer 1: frozen, typed data (map, profile, evidence, reading, finding) and its loading from text.

Nothing here reads a clock, opens a socket or opens a path: text comes in as arguments.
"""
