"""PGN text to games, moves and position keys."""
