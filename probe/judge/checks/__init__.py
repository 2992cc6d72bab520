"""The checks, one module a subject. ``registry`` lists them all."""
