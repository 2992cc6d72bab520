"""Alerts: who is told of what changed, once, and that it is over."""
