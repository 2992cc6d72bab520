"""Protective settings: as found against the study, and what becomes of the coordination of breakers."""
