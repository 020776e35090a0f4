"""UCI engines: one at a time, many at work at once, and the verdicts they have given."""
