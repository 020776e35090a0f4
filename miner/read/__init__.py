"""PGN sources to games and moves."""
