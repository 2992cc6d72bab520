"""Hypothesis without a deadline for an example: speed belongs to bench/, and machines here are shared."""

from hypothesis import settings

settings.register_profile("house", deadline=None)
settings.load_profile("house")
