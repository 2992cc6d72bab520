"""Layer 4: sealed record files."""
