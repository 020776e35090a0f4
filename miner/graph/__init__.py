"""Positions and the replies between them: ways, reach, repertoires."""
