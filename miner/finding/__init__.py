"""A losing reply that was found: its numbers, its words, and all that followed it."""
