"""The command `miner`: puts the commands together and turns errors into one line and an exit code."""

from __future__ import annotations

import logging
import sys
import traceback

import typer

from miner.cli import demo, export, lesson, plan, pupils, report, run, show, stages, status, steer, upkeep
from miner.cli.terminal import printable
from miner.errors import MinerError

app = typer.Typer(
    name="miner",
    help=(
        "Finds the opening mistakes that players of each rating band really make, and ranks them by what "
        "knowing them is worth over the board.\n\n"
        "Start with `miner demo`, or with `miner run games.pgn --store mine`, then "
        "`miner show --store mine`."
    ),
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
app.command("run")(run.run)
app.command("read")(stages.read)
app.command("tally")(stages.tally)
app.command("judge")(stages.judge)
app.command("follow")(stages.follow)
app.command("rank")(stages.rank)
app.command("export")(export.export)
app.command("show")(show.show)
app.command("report")(report.report)
app.command("steer")(steer.steer)
app.command("status")(status.status)
app.command("add")(upkeep.add)
app.command("remove")(upkeep.remove)
app.command("forget")(upkeep.forget)
app.command("check")(upkeep.check)
app.command("unlock")(upkeep.unlock)
app.command("lesson")(lesson.lesson)
app.command("plan")(plan.plan)
app.command("pupils")(pupils.pupils)
app.command("demo")(demo.demo)


_INTERRUPTED = 130
"""The code that Typer exits with after Ctrl-C."""


class _Printable(logging.Formatter):
    """Log lines as a terminal may have them: names of files and what an engine says come from outside."""

    def format(self, record: logging.LogRecord) -> str:
        return printable(super().format(record))


def main() -> None:
    """Run the command line; exit with 0, with 1 for a failed job, with 2 for wrong use."""
    verbose = "--verbose" in sys.argv[1:]
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
        print(f"miner: {printable(str(error))}; what was finished before is kept", file=sys.stderr)
        sys.exit(1)
    except SystemExit as leaving:
        if leaving.code == _INTERRUPTED:
            print(
                "\nminer: stopped; what was judged is kept, the same command goes on from there",
                file=sys.stderr,
            )
            sys.exit(1)
        if isinstance(leaving.__context__, BrokenPipeError):
            # The reader of our output has gone, as `head` does; that is no failure.
            sys.exit(0)
        raise
