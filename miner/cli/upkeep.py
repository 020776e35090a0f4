"""`miner add`, `remove`, `forget`, `check`, `unlock`: a store that grows, shrinks and heals."""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import asdict
from typing import Annotated

import typer

from miner import upkeep
from miner.cli import options
from miner.cli.options import ALL_MEANS, ENGINES, GivenMeans, MeansOf
from miner.cli.terminal import ledger_line, print_json, say, say_done, stage_line
from miner.errors import StoreError, UsageError
from miner.finding.words import agreeing, counted
from miner.means import Means
from miner.pipeline import check_sources
from miner.schema import KEPT
from miner.store import STAGES, Manifest, Store
from miner.store.claim import release

_OF_THIS_MACHINE = ALL_MEANS[:-1]
Run = Annotated[
    bool,
    typer.Option("--run", help="Run the later stages again at once, under the settings of their last run."),
]

Yes = Annotated[bool, typer.Option("--yes", help="Do not ask first.")]


def add(
    *,
    sources: options.Sources,
    store: options.StoreDir,
    run: Run = False,
    means: Annotated[GivenMeans, MeansOf(ALL_MEANS)],
) -> None:
    """Add games to a store: this week's round, another tournament. Only what is new is read.

    The games that are in the store stay; their files need not be named, nor be there any more. Games that it
    has already are set aside as repeated.
    """
    check_sources(sources)
    opened = Store.open(store)
    with means(find=run) as ready:
        before = opened.manifest("read")
        manifest = upkeep.add(sources, opened, ready)
        say(stage_line(manifest, was_current=manifest == before))
        say(_new_words(before, manifest))
        _later(opened, ready, run)


def _new_words(before: Manifest | None, now: Manifest) -> str:
    """How many of the games that were read are new, and what became of the others."""
    had, has = (Counter(one.facts.get("ledger", {}) if one else {}) for one in (before, now))
    new = {state: number for state, number in (has - had).items() if number}
    kept = sum(number for state, number in new.items() if state in KEPT)
    others = {state: number for state, number in new.items() if state not in KEPT}
    aside = f"; set aside: {ledger_line(others)}" if others else ""
    return f"{counted(kept, 'new game')}{aside}"


def remove(
    *,
    sources: Annotated[
        list[str],
        typer.Argument(
            metavar="SOURCE", help="What the games were read from: file, folder, or a file's name alone."
        ),
    ],
    store: options.StoreDir,
    yes: Yes = False,
    run: Run = False,
    means: Annotated[GivenMeans, MeansOf(_OF_THIS_MACHINE)],
) -> None:
    """Take the games of a source out of a store, as if it had never been read.

    `miner status` lists the sources. The files of other sources must be there if games of theirs were set
    aside as repeated because this source had them first: these come back.
    """
    opened = Store.open(store)
    _require_consent("Take all games of these sources out of the store?", yes)
    with means(find=run) as ready:
        before = opened.manifest("read")
        manifest = upkeep.remove(sources, opened, ready)
        say(stage_line(manifest, was_current=manifest == before))
        if manifest == before:
            say("An earlier call has taken these games out already.")
        _later(opened, ready, run)


def forget(
    *,
    player: Annotated[
        str,
        typer.Argument(
            metavar="PLAYER",
            help="The name as it stands in the games, in quotes; or - to type it in, so that it is in no "
            "list of past commands.",
        ),
    ],
    store: options.StoreDir,
    yes: Yes = False,
    run: Run = False,
    means: Annotated[GivenMeans, MeansOf((*ENGINES, "memory_mb"))],
) -> None:
    """Take all games of a player out of a store, for good: reading the files again does not bring them back.

    Everything that was counted and found from the games goes with them, since it tells of single games.
    Reports, sheets and lists that were made before are not touched: delete those yourself.
    """
    opened = Store.open(store)
    _require_consent("Take all games of this player out of the store, for good?", yes)
    with means(find=run) as ready:
        name = _typed_name() if player == "-" else player
        before = opened.manifest("read")
        manifest, games = upkeep.forget(name, opened)
        say(stage_line(manifest, was_current=manifest == before))
        if manifest == before:
            say("An earlier call has forgotten this player already.")
        elif games:
            forgotten = f"{counted(games, 'game')} {agreeing(games, 'is', 'are')} forgotten"
            say(f"{forgotten}. Reports and lists made before are yours to delete.")
        else:
            say("The pupil's number is forgotten, and so are games that are read from now on.")
        _later(opened, ready, run)


def _typed_name() -> str:
    if sys.stdin is None:
        raise UsageError("the standard input is closed", advice="pipe the name in, or type it on a terminal")
    if sys.stdin.isatty():
        typer.echo("The name as it stands in the games: ", nl=False, err=True)
    return sys.stdin.readline().strip()


def _require_consent(question: str, given: bool) -> None:
    """Ask before what cannot be undone.

    Raises UsageError where nobody can be asked, typer.Abort unless the answer is yes.
    """
    if given:
        return
    if sys.stdin is None or not sys.stdin.isatty():
        raise UsageError("this cannot be undone, and there is no terminal to ask on", advice="add `--yes`")
    typer.confirm(question, abort=True, err=True)


def check(
    *,
    store: options.StoreDir,
    repair: Annotated[
        bool, typer.Option("--repair", help="Put right what is damaged: read or count again what it needs.")
    ] = False,
    as_json: options.AsJson = False,
    means: Annotated[GivenMeans, MeansOf(_OF_THIS_MACHINE)],
) -> None:
    """See whether each file of a store is as it was written, and name those that are not.

    With --repair, files of games are made again from their sources, later ones by running their stage again.
    """
    opened = Store.open(store, damaged=True)
    repaired: list[str] = []
    if repair:
        with means(find=False) as ready:
            repaired = upkeep.repair(opened, ready, on_done=None if as_json else say)
    faults = upkeep.check(opened)
    if as_json:
        told = {"faults": [asdict(fault) for fault in faults], "repaired": repaired}
        print_json(told | {"out_of_date": None if faults else opened.out_of_date()})
    for fault in () if as_json else faults:
        say(f"{fault.name}: {fault.what}")
    if faults:
        raise StoreError(
            f"files of the store that are not as they were written: {len(faults):,}", advice=opened.mended_by
        )
    if as_json:
        return
    say("every file is as it was written")
    if stale := opened.out_of_date():
        missing = [stage for stage in STAGES[: STAGES.index(stale)] if opened.manifest(stage) is None]
        say(
            f"not done yet: miner {missing[0]}"
            if missing
            else f"out of date: an earlier stage has changed; miner {stale} makes it new"
        )


def unlock(store: options.StoreDir) -> None:
    """Let others write to a remote store (s3:// or the like) whose writer was killed on another machine.

    Make sure that it is dead: two runs at once damage the store. A folder needs no such thing.
    """
    whose = release(store)
    say(f"the claim of {whose} is taken away" if whose else "nobody has a claim on this store")


def _later(store: Store, means: Means, run: bool) -> None:
    settings = store.settings()
    stages = [stage for stage in STAGES[1:] if stage in settings]
    if run:
        upkeep.remake(store, stages, means, on_done=say_done)
        if store.manifest("rank"):
            say(f"Now: miner show --store {store.root}")
        return
    if all(map(store.manifest, stages)) and not store.out_of_date():
        return
    if len(stages) == len(STAGES[1:]):
        say(f"Now: miner run --store {store.root}")
        return
    say(f"Now run again: {', '.join(f'miner {stage}' for stage in stages)}")
    say(f"       `miner status --store {store.root} --settings` prints the settings that they had")
