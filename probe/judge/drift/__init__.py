"""Drift: what left its usual range from run to run, and when a clock will leave its tolerance."""
