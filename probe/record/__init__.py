"""Layer 4: sealed record files (design, section 5). No clock is read here; time is handed in."""
