"""Buswitness: commissioning probe and health auditor for communicating low-voltage switchgear."""

__version__ = "0.1.0"
