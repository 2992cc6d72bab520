"""Diagnosis: which explanation makes all of a device's readings sane at once, and how sure that is.

priors       how often each fault is met, before anything was seen
registers    the registers behind the readings, to be read in other ways
rereading    those other ways: orders, addresses, types, powers of ten, ratios
wiring       ways in which inputs can be wired; flow: how likely the powers are under each
inside       how well the values agree with each other
search       all of these against each other, best first
relations    what other devices say: the same bus, the same circuit, the balance of a bus
lineup       all devices together (board: who is explained how; pairs: two tags and one device)
account      the explanations of a whole lineup as causes
"""
