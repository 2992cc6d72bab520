"""The hand-written parts of the checks' pages, one file a check: what it sees, its tolerance, pictures."""
