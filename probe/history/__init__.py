"""History: the store of scheduled runs; what is asked often, while the records stay files."""
