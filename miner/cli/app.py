"""The command `miner`: puts the commands together and turns errors into one line and an exit code."""

from __future__ import annotations

import ast
import io
import logging
import sys
import traceback
from functools import cached_property
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup

from miner.bars import printable
from miner.distribution import VERSION
from miner.errors import MinerError, cause

GROUPS = {
    "The whole job": {"demo": "demo", "run": "stages", "show": "show", "motifs": "motifs"},
    "For the lesson": {
        "report": "findings",
        "lesson": "lesson",
        "plan": "lesson",
        "game": "game",
        "steer": "steer",
        "pupils": "pupils",
        "export": "findings",
    },
    "One stage at a time": dict.fromkeys(("read", "tally", "judge", "scan", "follow", "rank"), "stages"),
    "Looking after a store": {
        "status": "status",
        **dict.fromkeys(("add", "remove", "forget", "check", "unlock"), "upkeep"),
    },
}
"""The module of each command, by what it is for; in the order of the help."""
COMMANDS = {command: module for group in GROUPS.values() for command, module in group.items()}

_TYPER: dict[str, Any] = {
    "pretty_exceptions_enable": False,
    "rich_markup_mode": None,
}


class Command(TyperCommand):
    """A command that is loaded when it is called, not when it is listed."""

    name: str

    @cached_property
    def loaded(self) -> Any:
        """The command itself, with its options."""
        from miner.cli.options import as_command

        alone = typer.Typer(add_completion=False, **_TYPER)
        module = import_module(f"miner.cli.{COMMANDS[self.name]}")
        alone.command(self.name)(as_command(getattr(module, self.name)))
        return typer.main.get_command(alone)

    def make_context(self, *arguments: Any, **more: Any) -> Any:
        """The context of the command itself."""
        return self.loaded.make_context(*arguments, **more)

    def get_short_help_str(self, limit: int = 45) -> str:
        """The first sentence of the command's docstring, which is read without loading the command."""
        source = Path(__file__).with_name(f"{COMMANDS[self.name]}.py").read_text(encoding="utf-8")
        functions = [node for node in ast.parse(source).body if isinstance(node, ast.FunctionDef)]
        self.help = next(ast.get_docstring(node) for node in functions if node.name == self.name)
        return super().get_short_help_str(limit)


class Groups(TyperGroup):
    """The commands, listed by what they are for."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:  # noqa: ARG002 - the base class's
        """Write a list for each group."""
        limit = formatter.width - 6 - max(map(len, self.commands))
        for heading, group in GROUPS.items():
            with formatter.section(heading):
                rows = [(name, self.commands[name].get_short_help_str(limit)) for name in group]
                formatter.write_dl(rows)


app = typer.Typer(
    name="miner",
    cls=Groups,
    context_settings={"help_option_names": ["-h", "--help"]},
    help=(
        "Finds the opening mistakes that players of each rating band really make, and ranks them by what "
        "knowing them is worth over the board.\n\n"
        "Start with `miner demo`, or with `miner run games.pgn --store mine`, then "
        "`miner show --store mine`."
    ),
    epilog=(
        "Exit codes: 0 done; 1 something went wrong, the message says what; 2 wrong use; 130 stopped by "
        "Ctrl-C, what was finished is kept."
    ),
    no_args_is_help=True,
    **_TYPER,
)
for _name in COMMANDS:
    app.command(_name, cls=Command)(lambda: None)


def _print_version(is_asked: bool) -> None:
    if is_asked:
        print(f"miner {VERSION}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None: ...


_INTERRUPTED = 130
"""The code that Typer exits with after Ctrl-C."""


class _Printable(logging.Formatter):
    """Log lines as a terminal may have them: names of files and what an engine says come from outside."""

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802 - the base class's name
        return printable(super().formatMessage(record))

    def formatException(self, ei: Any) -> str:  # noqa: N802
        return "\n".join(map(printable, super().formatException(ei).splitlines()))


def main() -> None:
    """Run the command line; exit with 0, with 1 for a failed job, 2 for wrong use, 130 after Ctrl-C."""
    verbose = "--verbose" in sys.argv[1:]
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # an old encoding has no figurines
    handler = logging.StreamHandler()
    handler.setFormatter(
        _Printable("%(levelname)s %(name)s: %(message)s" if verbose else "miner: %(message)s")
    )
    logging.basicConfig(level=logging.DEBUG if verbose else logging.WARNING, handlers=[handler])
    if not verbose:
        # Of an engine that talks nonsense python-chess would print every line; the pool tells of it once.
        logging.getLogger("chess.engine").setLevel(logging.CRITICAL)
    try:
        app()
    except MinerError as error:
        if verbose:
            traceback.print_exc()
        print(f"miner: {printable(str(error))}", file=sys.stderr)
        sys.exit(error.exit_code)
    except OSError as error:
        # A full disk, a folder that may not be written to: what no stage could name better.
        if verbose:
            traceback.print_exc()
        where = f"{error.filename}: " if error.filename else ""
        print(
            f"miner: {printable(where + cause(error))}; put that right and run the same again, "
            "what was finished before is kept",
            file=sys.stderr,
        )
        sys.exit(1)
    except SystemExit as leaving:
        if leaving.code == _INTERRUPTED:
            print(
                "\nminer: stopped; what was judged is kept, the same command goes on from there",
                file=sys.stderr,
            )
        if isinstance(leaving.__context__, BrokenPipeError):
            # The reader of our output has gone, as `head` does; that is no failure.
            sys.exit(0)
        raise
