"""The games after a losing reply: who punishes it, by what, and who wins."""
