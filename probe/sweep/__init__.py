"""Sweeps: scheduled runs over a fleet of lineups, their records kept, their history written."""
