"""Published opening traps must be found where they are frequent, and sound lines must not be reported.

Sources: tests/external/data/traps.csv and sound.csv, each row with its own source; see SOURCE.txt there.

Each line lies in a database made here, in which its position is met in 80 games and its reply chosen in 28;
or all lines in one, each with 25 games and 8 replies, among 5,000 games of others. All stages run on it. In
the first case the lines are shared out over several databases, for two reasons: many of them lead
through the positions of others, which would then be met far more often; and 80 lines together would make
each so rare that the default settings drop it for what it is worth.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
import pytest

from miner.settings import JudgeSettings
from tests.external.databases import Mined, mine, mine_among, share_out
from tests.external.published import Published, clear_traps, sound_lines

pytestmark = [pytest.mark.engine, pytest.mark.slow]

FOUND_AT_LEAST = 0.95
OTHERS = 5_000  # games among which rare lines must be found


@dataclass(frozen=True, slots=True)
class Trial:
    """What is put in, and what comes out."""

    traps: list[Published]
    sound: list[Published]
    mined: Mined


@pytest.fixture(scope="module")
def trial(engine: Path, tmp_path_factory: pytest.TempPathFactory) -> Trial:
    """All lines, and what mining their databases gave."""
    traps, sound = clear_traps(), sound_lines()
    losing = {trap.id for trap in traps}
    folder = tmp_path_factory.mktemp("published")
    mined = mine(share_out([*traps, *sound]), losing, JudgeSettings(), engine, folder)
    return Trial(traps, sound, mined)


@pytest.fixture(scope="module")
def among_others(shared: Path, engine: Path, tmp_path_factory: pytest.TempPathFactory) -> Trial:
    """All lines, each rare, in one database with the first of the rated games."""
    folder = tmp_path_factory.mktemp("among")
    with pa.input_stream(str(shared / "data" / "rated-dev.pgn.zst"), compression="zstd") as stream:
        games = stream.read().split(b"\n[Event ")[:OTHERS]
    (others := folder / "others.pgn").write_bytes(b"\n[Event ".join(games))
    traps, sound = clear_traps(), sound_lines()
    losing = {trap.id for trap in traps}
    return Trial(traps, sound, mine_among([*traps, *sound], losing, others, engine, folder))


def test_frequent_published_traps_are_reported(trial: Trial) -> None:
    """At least 95% of the traps that clearly lose by their listed centipawns are reported, for their side."""
    _assert_reported(trial)


def test_rare_published_traps_are_reported(among_others: Trial) -> None:
    """So many of them also where each is as rare as in a small club, and no sound line is called losing."""
    _assert_reported(among_others)
    reported = [line for line in among_others.sound if line.identity in among_others.mined.findings]
    assert not reported, f"reported: {_told(reported, among_others.mined)}"


def _assert_reported(trial: Trial) -> None:
    missing = [trap for trap in trial.traps if not _is_reported(trap, trial.mined)]

    found = len(trial.traps) - len(missing)
    assert found >= math.ceil(FOUND_AT_LEAST * len(trial.traps)), (
        f"{found} of {len(trial.traps)} reported; missing: {_told(missing, trial.mined)}"
    )


def test_sound_lines_are_not_reported(trial: Trial) -> None:
    """None of the replies that look risky and are main lines is called losing, though all were judged."""
    reported = [line for line in trial.sound if line.identity in trial.mined.findings]

    assert not reported, f"reported: {_told(reported, trial.mined)}"
    assert all(line.identity in trial.mined.judged for line in trial.sound)


def _is_reported(trap: Published, mined: Mined) -> bool:
    findings = mined.findings.get(trap.identity, [])
    return any(finding["side"] == trap.victim.other for finding in findings)


def _told(lines: list[Published], mined: Mined) -> str:
    """What the stages said of some lines, for a failing test's message."""
    return "; ".join(f"{line.id}, listed loss {line.loss:.3f}: {_verdict(line, mined)}" for line in lines)


def _verdict(line: Published, mined: Mined) -> str:
    row = mined.judged.get(line.identity)
    if row is None:
        return "not judged"
    return (
        f"loss {row['loss']} at {row['nodes']:,} nodes ({row['loss_before']} at {row['nodes_before']:,}),"
        f" best {row['best_move']} {row['cp_best']}, reply {row['cp_reply']}"
    )
