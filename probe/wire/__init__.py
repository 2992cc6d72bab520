"""Layer 2: one module a protocol; each yields evidence and judges nothing."""
