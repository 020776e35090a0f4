"""Replies per position, band and move; reach."""
