"""What the miner is called where packages are installed from, and which one this is."""

NAME = "opening-mistake-miner"
VERSION = "0.1.0"


def with_extra(extra: str) -> str:
    """The advice on a package that is not installed, in quotes that every shell takes.

    >>> with_extra("print")
    'install it with: pip install "opening-mistake-miner[print]"'
    """
    return f'install it with: pip install "{NAME}[{extra}]"'
