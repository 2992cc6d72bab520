"""Captures: reading files of packets at speed, and taking them."""
