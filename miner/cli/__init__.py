"""The command line: one module per command, the only place that prints."""
