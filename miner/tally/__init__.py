"""Replies counted per position, band and move, and the tables that follow from them."""
