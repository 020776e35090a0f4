"""The stage `read`: sources to the tables `games` and `moves`, and stores that grow, shrink and heal."""
