"""A losing reply that was found: what it is, what followed it, and how it is told."""
