"""The worth of knowing a losing reply: points, bounds, order."""
