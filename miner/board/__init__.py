"""Pure chess: position keys, lines, captures settled, home squares."""
