"""Layer 3: plan, schedule and run; collecting never judges by itself, it calls the judge."""
