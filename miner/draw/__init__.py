"""Boards as SVG, and templates to pages of HTML and PDF."""
