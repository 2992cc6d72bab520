"""A new user's first minutes, and a computer that has nothing but Python."""
