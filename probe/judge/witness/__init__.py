"""Witness: what was seen while people acted, held against what a procedure expects; pure functions of evidence."""
