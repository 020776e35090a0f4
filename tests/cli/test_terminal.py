"""What the commands say when a stage is done."""

from __future__ import annotations

from typing import Any

from miner.cli.terminal import ledger_line, stage_line
from miner.store import Manifest


def manifest(stage: str, rows: dict[str, int], facts: dict[str, Any]) -> Manifest:
    return Manifest(stage=stage, settings={}, inputs={}, rows=rows, facts=facts)


def test_ledger_is_told_largest_part_first() -> None:
    """Every state that occurred is told, equals by name; those that did not are left out."""
    ledger = {"kept": 2_000, "duplicate": 3, "no result": 3, "variant": 0}

    assert ledger_line(ledger) == "2,000 kept, 3 duplicate, 3 no result"


def test_one_line_for_each_stage() -> None:
    """Numbers are grouped, the stage's name comes first."""
    read = manifest("read", {"games": 1_234, "moves": 30_000}, {"ledger": {"kept": 1_234}})
    tally = manifest("tally", {"positions": 50, "replies": 210}, {"min_games": 20})
    rank = manifest("rank", {"findings": 8}, {"mistakes": 4, "missed_chances": 3})

    assert stage_line(read, was_current=False) == "read   1,234 games seen: 1,234 kept; 30,000 positions"
    assert (
        stage_line(tally, was_current=False) == "tally  50 positions of 20 games or more, 210 replies by band"
    )
    assert stage_line(rank, was_current=True) == (
        "rank   4 mistakes, 8 findings; 3 missed chances (miner show --missed) (up to date, nothing to do)"
    )


def test_what_following_lacked_is_told() -> None:
    """Searches that failed and sources that are gone are said, silence means that there were none."""
    facts = {"losing_replies": 12, "passages": 3_400, "inconclusive": 0, "sources_missing": []}

    fine = stage_line(manifest("follow", {"model_games": 20}, facts), was_current=False)
    lacking = facts | {"inconclusive": 2, "sources_missing": ["games.pgn"]}
    some = stage_line(manifest("follow", {"model_games": 0}, lacking), was_current=False)

    assert fine == "follow 12 losing replies followed through 3,400 games, 20 model games"
    assert some.endswith("0 model games, 2 positions inconclusive; 1 source could not be read again")


def test_inconclusive_verdicts_are_told_only_if_there_are() -> None:
    """Silence means that every reply was judged."""
    facts = {"candidates": 40, "positions": 30, "inconclusive": 0}

    fine = stage_line(manifest("judge", {}, facts), was_current=False)
    some = stage_line(manifest("judge", {}, facts | {"inconclusive": 2}), was_current=False)

    assert fine == "judge  40 replies judged in 30 positions"
    assert some == "judge  40 replies judged in 30 positions, 2 inconclusive"


def test_missing_win_draw_loss_is_told() -> None:
    """What stands for it is said, too; stores from before it was counted say nothing."""
    facts = {"candidates": 40, "positions": 30, "inconclusive": 0}

    told = stage_line(manifest("judge", {}, facts | {"without_wdl": 40}), was_current=False)

    assert told.endswith(
        "; of 40 the engine told no win/draw/loss: bands with few games go by centipawns alone"
    )
