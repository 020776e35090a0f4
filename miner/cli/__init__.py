"""The command line: one module per command, the only place that prints."""

from miner.cli.app import main

__all__ = ["main"]
