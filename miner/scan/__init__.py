"""Stage: the opening mistakes of whole games, and by which motif each is punished."""
