"""Checks on captures: figures of a file of packets, with or without a map, to findings."""
