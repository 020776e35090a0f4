"""Finds the frequent opening mistakes of each rating band in chess game databases."""
