"""Simulated time, network and gear, on which the real agent is run thousands of times; see ``__main__``."""
