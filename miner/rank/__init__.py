"""What knowing a losing reply is worth: points, bounds, order."""
