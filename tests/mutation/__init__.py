"""Mutation testing: one change to the program at a time, in a copy; do the tests see it?"""
