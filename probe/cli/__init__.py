"""Layer 6: commands; parse, call, print."""
