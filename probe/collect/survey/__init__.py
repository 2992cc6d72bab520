"""The survey: what is on the wire, listened for before anything is asked."""
