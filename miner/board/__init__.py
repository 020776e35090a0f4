"""Pure chess: moves, position keys, many boards at once, captures settled."""
