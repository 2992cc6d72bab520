"""The screens of a witness run, its summary, its JSON object."""
