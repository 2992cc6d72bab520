"""Layer 5: findings to text, tables and the live dashboard; the only place that knows rich."""
