"""Checks on the network: switches, supplies, links, and what the survey saw on the wire."""
