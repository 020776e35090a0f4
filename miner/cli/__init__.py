"""The command line: a module for a command, or for a few that belong together."""

from miner.cli.app import main

__all__ = ["main"]
