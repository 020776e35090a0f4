"""So that `python -m miner` works where the command is not on the path."""

from miner.cli.app import main

main()
