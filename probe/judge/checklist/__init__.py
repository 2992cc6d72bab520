"""Field checklist: what people answered, held against what was asked and what the desk calculates."""
