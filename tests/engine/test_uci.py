"""Tests of the dialogue: real processes that say what they are told to."""

from __future__ import annotations

import asyncio
import os
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import chess
import pytest

from miner.engine.identity import EngineIdentity
from miner.engine.uci import LONGEST_LINE, Dialogue, EngineLost
from miner.engine.verdicts import Request, Verdict
from miner.terms import Score, Side

EXACT = "info depth 9 seldepth 12 multipv 1 score cp 31 wdl 90 880 30 nodes 900 nps 9 time 1 pv e2e4 e7e5"
FAIL_HIGH = "info depth 10 seldepth 14 multipv 1 score cp 64 lowerbound nodes 990 nps 9 time 1 pv d2d4"
LATE_BOUND = "info depth 10 multipv 1 score cp 64 wdl 150 830 20 lowerbound nodes 990 nps 9 time 1 pv d2d4"
CURRENT = "info depth 10 currmove e2e4 currmovenumber 1"
COUNT = "info nodes 1003 nps 9 hashfull 1 time 1"
START = Request.of(chess.Board(), nodes=1000)

Scripted = Callable[..., Path]


def search(program: Path, *requests: Request, patience_s: float = 20.0) -> list[Verdict]:
    """The verdicts of one engine on some searches, by default one of the start position."""

    async def ask() -> list[Verdict]:
        dialogue, _ = await Dialogue.begin(program, {}, 20.0)
        try:
            verdicts = [await dialogue.search(request, patience_s) for request in requests or (START,)]
        except BaseException:
            await dialogue.kill()
            raise
        await dialogue.end()
        return verdicts

    return asyncio.run(ask())


def greet(program: Path, options: dict[str, str]) -> tuple[str, EngineIdentity]:
    async def ask() -> tuple[str, EngineIdentity]:
        dialogue, identity = await Dialogue.begin(program, options, 20.0)
        await dialogue.end()
        return dialogue.name, identity

    return asyncio.run(ask())


@pytest.mark.parametrize("bound", [FAIL_HIGH, LATE_BOUND])
def test_last_exact_score_counts_with_its_line(bound: str, scripted_engine: Scripted) -> None:
    """A bound that came later is no score, wherever it stands; the nodes are those of the whole search."""
    program = scripted_engine(EXACT, CURRENT, bound, COUNT, "bestmove d2d4 ponder d7d5")

    [verdict] = search(program)

    assert verdict.score == Score(Side.WHITE, cp=31)
    assert verdict.pv == ("e2e4", "e7e5")
    assert verdict.wdl == (90, 880, 30)
    assert (verdict.depth, verdict.nodes) == (9, 1003)


def test_other_lines_of_many_are_not_the_best(scripted_engine: Scripted) -> None:
    """Of several lines the first one counts, from the side to move."""
    second = EXACT.replace("multipv 1", "multipv 2").replace("cp 31", "cp 12").replace("e2e4 e7e5", "c7c5")
    first = EXACT.replace("e2e4 e7e5", "e7e5")
    after_e4 = chess.Board()
    after_e4.push_san("e4")

    [verdict] = search(scripted_engine(first, second, "bestmove e7e5"), Request.of(after_e4, 1000))

    assert verdict.score == Score(Side.BLACK, cp=31)


def test_mate_keeps_its_sign(scripted_engine: Scripted) -> None:
    """Mated in two is a mate score below 0 for the side to move."""
    mated = EXACT.replace("score cp 31", "score mate -2").replace("e2e4 e7e5", "f2f3 e7e5 g2g4 d8h4")

    [verdict] = search(scripted_engine(mated, "bestmove f2f3"))

    assert verdict.score.mate == -2
    assert verdict.score.as_cp == -9998


FOOLS_MATE = "f2f3 e7e5 g2g4 d8h4"


@pytest.mark.parametrize(
    ("score", "line", "claim"),
    [
        ("cp 1000000", "e2e4 e7e5", "1,000,000 centipawns cannot be"),
        ("cp -20001", "e2e4 e7e5", "-20,001 centipawns cannot be"),
        ("mate 1", "e2e4", "mate in 1 is not what the line e2e4 ends in"),
        ("mate 1", "e2e4 e7e5", "mate in 1 is not what the line e2e4 e7e5 ends in"),
        ("mate -1", "e2e4 e7e5", "mate in 1 is not what the line e2e4 e7e5 ends in"),
        ("mate 0", "e2e4", "mate in 0 is not what the line e2e4 ends in"),
        ("mate 5", FOOLS_MATE, f"mate in 5 is not what the line {FOOLS_MATE} ends in"),
        ("mate -1", FOOLS_MATE, f"mate in 1 is not what the line {FOOLS_MATE} ends in"),
    ],
)
def test_false_claim(score: str, line: str, claim: str, scripted_engine: Scripted) -> None:
    """A mate that does not come or comes for the other side, and a score beyond reason."""
    said = EXACT.replace("cp 31", score).replace("e2e4 e7e5", line)

    with pytest.raises(EngineLost, match="claims what is not so") as lost:
        search(scripted_engine(said, f"bestmove {line.split()[0]}"))

    assert claim in lost.value.reason
    assert lost.value.is_false_claim


@pytest.mark.parametrize(("score", "cp"), [("cp 20000", 9000), ("cp -15000", -9000), ("cp 8999", 8999)])
def test_great_advantage_is_a_score(score: str, cp: int, scripted_engine: Scripted) -> None:
    """Engines tell a win by the endgame tables so; as many count as a column can tell from a mate."""
    [verdict] = search(scripted_engine(EXACT.replace("cp 31", score), "bestmove e2e4"))

    assert verdict.score == Score(Side.WHITE, cp=cp)


@pytest.mark.parametrize("shares", ["90 880 300", "-90 1060 30", f"{10**30} 0 0", "0 0 0"])
def test_win_draw_loss_that_are_no_shares_are_none(shares: str, scripted_engine: Scripted) -> None:
    """The score counts all the same."""
    [verdict] = search(scripted_engine(EXACT.replace("wdl 90 880 30", f"wdl {shares}"), "bestmove e2e4"))

    assert (verdict.score.cp, verdict.wdl) == (31, ())


def test_score_without_a_line_is_passed_over(scripted_engine: Scripted) -> None:
    """Some engines tell a last score without its line: the one before counts."""
    bare = "info depth 10 score cp 64 nodes 1100"

    [verdict] = search(scripted_engine(EXACT, bare, "bestmove e2e4"))

    assert (verdict.score.cp, verdict.nodes) == (31, 1100)


def test_each_search_begins_afresh(scripted_engine: Scripted, tmp_path: Path) -> None:
    """The hash is cleared before every search, and the engine is set up only once."""
    program = scripted_engine(
        EXACT.replace("nodes 900", "nodes 1000"),
        "bestmove e2e4",
        greeting=["option name UCI_AnalyseMode type check default false"],
    )
    restricted = Request.of(chess.Board(), 1000, (chess.Move.from_uci("e2e4"), chess.Move.from_uci("d2d4")))

    search(program, START, restricted)

    received = (tmp_path / "told").read_text(encoding="utf-8").splitlines()
    one_search = ["ucinewgame", "isready", "position startpos", "go nodes 1000"]
    assert received == [
        "uci",
        "isready",
        *one_search,
        *one_search[:3],
        "go nodes 1000 searchmoves d2d4 e2e4",
        "quit",
    ]


@pytest.mark.parametrize(
    ("answers", "reason"),
    [
        (["bestmove e2e4"], "no score"),
        ([CURRENT, COUNT, "bestmove e2e4"], "no score"),
        ([FAIL_HIGH, "bestmove d2d4"], "no score"),
        ([LATE_BOUND, "bestmove d2d4"], "no score"),
        ([EXACT, "bestmove"], "(none)"),
        ([EXACT, "bestmove (none)"], "(none)"),
        ([EXACT, "bestmove 0000"], "(none)"),
        ([EXACT, "bestmove e2e5"], "e2e5"),
        ([EXACT, "bestmove e4"], "e4"),
        ([EXACT.replace("e7e5", "e7e4"), "bestmove e2e4"], "'e2e4 e7e4' cannot be played"),
        ([EXACT.replace("e7e5", "e5"), "bestmove e2e4"], "'e2e4 e5' cannot be played"),
        ([EXACT.replace("e2e4 e7e5", "O-O"), "bestmove e2e4"], "'O-O' cannot be played"),
        ([EXACT.replace("nodes 900", "nodes 90"), "bestmove e2e4"], "after 90 of 1,000 nodes"),
        ([EXACT.replace("nodes 900", "nodes many"), "bestmove e2e4"], "no score"),
    ],
)
def test_nonsense_is_told(answers: Sequence[str], reason: str, scripted_engine: Scripted) -> None:
    """What cannot be a verdict loses the engine, with what was wrong and its last words."""
    with pytest.raises(EngineLost) as lost:
        search(scripted_engine(*answers))

    assert "nonsense" in lost.value.reason
    assert reason in lost.value.reason
    assert lost.value.said_last == answers[-1]


def test_castling_to_the_rook_is_castling(scripted_engine: Scripted) -> None:
    """An engine that writes castling as the king taking its rook is understood."""
    board = chess.Board("r3k2r/pppppppp/8/8/8/8/PPPPPPPP/R3K2R w KQkq - 0 1")
    answer = "info depth 9 score cp 31 nodes 900 pv e1h1 e8a8"

    [verdict] = search(scripted_engine(answer, "bestmove e1h1"), Request.of(board, 1000))

    assert verdict.pv == ("e1g1", "e8c8")


def test_chatter_is_passed_over(scripted_engine: Scripted, caplog: pytest.LogCaptureFixture) -> None:
    """Banners, remarks, empty lines and impossible ponder moves are no reason to complain."""
    chatter = ["", "hello", "info string score cp 900 nodes 1 pv e2e4 is good", "  "]
    program = scripted_engine(*chatter, EXACT, *chatter, "bestmove e2e4 ponder e2e4", greeting=chatter)

    [verdict] = search(program)

    assert (verdict.score.cp, verdict.nodes) == (31, 900)
    assert caplog.records == []


def test_options_are_told_as_they_were(scripted_engine: Scripted, tmp_path: Path) -> None:
    """Names may have blanks, defaults may be empty, buttons hold no value; case does not matter in names."""
    program = scripted_engine(
        greeting=[
            "id name Some Engine 1.0",
            "option name hash type spin default 16 min 1 max 33554432",
            "option name EvalFile type string default nn-1.nnue",
            "option name Debug Log File type string default",
            "option name SyzygyPath type string default <empty>",
            "option name Use NNUE type check default true",
            "option name Style type combo default Solid var Solid var Risky",
            "option name Clear Hash type button",
        ]
    )

    name, identity = greet(program, {"Threads": "1", "Hash": "8"})

    assert name == identity.name == "Some Engine 1.0"
    assert identity.options == (
        ("Debug Log File", ""),
        ("EvalFile", "nn-1.nnue"),
        ("Style", "Solid"),
        ("SyzygyPath", "<empty>"),
        ("Use NNUE", "true"),
        ("hash", "8"),
    )
    assert "setoption name hash value 8" in (tmp_path / "told").read_text(encoding="utf-8").lower()


def test_network_beside_the_program_is_part_of_the_engine(scripted_engine: Scripted, tmp_path: Path) -> None:
    """A network that is replaced under the same name makes another engine; none at all adds nothing."""
    program = scripted_engine(greeting=["option name EvalFile type string default some.nnue"])
    _, without = greet(program, {})
    (tmp_path / "some.nnue").write_bytes(b"one network")
    _, before = greet(program, {})
    (tmp_path / "some.nnue").write_bytes(b"another network")
    _, after = greet(program, {})

    assert set(without.as_dict()) == {"name", "sha256", "options"}
    assert len({without.digest, before.digest, after.digest}) == 3


def test_name_in_an_old_encoding(scripted_engine: Scripted) -> None:
    """A name that is no UTF-8 loses only its letters."""
    name, _ = greet(scripted_engine(greeting=["id name Schäfer"]), {})

    assert name == "Sch\N{REPLACEMENT CHARACTER}fer"


def test_option_out_of_range_is_told(scripted_engine: Scripted) -> None:
    """An engine that cannot have so large a hash says so before it is used."""
    program = scripted_engine(greeting=["option name Hash type spin default 4 min 1 max 8"])

    with pytest.raises(EngineLost, match=r"cannot be set up: .*'Hash' to be at most 8"):
        greet(program, {"Hash": "16"})


@pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc")
@pytest.mark.parametrize(
    ("command", "reason"),
    [
        ("sleep 600", "no `bestmove` within"),
        ("kill -STOP $$", "no `bestmove` within"),
        ("yes hello", "no `bestmove` within"),
        (f"yes '{EXACT}'", "no `bestmove` within"),
        ("kill $$", "it ended before `bestmove`"),
        ("exec >&- 2>&-; sleep 600", "it ended before `bestmove`"),
        ("tr '\\0' x < /dev/zero", f"a line of more than {LONGEST_LINE:,} bytes"),
    ],
    ids=["hangs", "stopped", "chatters", "floods", "dies", "falls silent", "endless line"],
)
def test_no_process_is_left(command: str, reason: str, scripted_engine: Scripted, tmp_path: Path) -> None:
    """An engine that is lost is gone when this is told, with all that it had started."""
    program = scripted_engine(command=f'echo $$ > "{tmp_path}/pid"; {command}')

    with pytest.raises(EngineLost, match=reason):
        search(program, patience_s=1.0)

    group = int((tmp_path / "pid").read_text())
    assert not members_of(group)


def members_of(group: int) -> list[int]:
    """The living processes of a group; those that were killed may take a moment to go."""
    until = time.monotonic() + 20.0
    living = [0]
    while living and time.monotonic() < until:
        time.sleep(0.02)
        living = [pid for pid in map(int, filter(str.isdigit, os.listdir("/proc"))) if _in_group(pid, group)]  # noqa: PTH208
    return living


def _in_group(pid: int, group: int) -> bool:
    try:
        state, _, its_group = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[:3]
    except (FileNotFoundError, ProcessLookupError):
        return False
    return int(its_group) == group and state != "Z"


def test_long_line_is_only_long(scripted_engine: Scripted) -> None:
    """Knights that go to and fro for 1,000 moves are a line."""
    line = " ".join(["g1f3 g8f6 f3g1 f6g8"] * 500)

    [verdict] = search(scripted_engine(EXACT.replace("e2e4 e7e5", line), "bestmove g1f3"))

    assert len(verdict.pv) == 2000


@pytest.mark.posix
def test_slow_start_is_waited_for(scripted_engine: Scripted) -> None:
    """Tables and networks take their time before the first answer."""
    program = scripted_engine(EXACT, "bestmove e2e4")
    program.write_text(program.read_text().replace("#!/bin/sh", "#!/bin/sh\nsleep 1"), encoding="utf-8")

    assert [verdict.move for verdict in search(program)] == ["e2e4"]


@pytest.mark.posix
def test_greeting_that_never_ends(tmp_path: Path) -> None:
    """A program that listens but is no engine is given up, with its last words."""
    program = tmp_path / "no-engine"
    program.write_text("#!/bin/sh\necho what is it\nsleep 600\n", encoding="utf-8")
    program.chmod(0o755)

    async def begin() -> None:
        await Dialogue.begin(program, {}, timeout_s=1.0)

    with pytest.raises(EngineLost, match="no `uciok` within 1 s") as lost:
        asyncio.run(begin())
    assert lost.value.said_last == "what is it"
