"""UCI engines: how one is spoken to, many at work at once, and what they have said."""
