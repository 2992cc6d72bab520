"""Witness: what was seen while people acted, against what a procedure expects; pure functions of evidence."""
