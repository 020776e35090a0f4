"""What happens in the games after a losing reply."""
