"""Tests of the searches of one position, with scripted answers: the engine's centipawns are in a dict."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import chess
import pytest

from miner.board.moves import after, pack
from miner.engine.verdicts import Answer, Failure, Request, Verdict, mover
from miner.judge.candidates import Candidate
from miner.judge.inquiry import (
    Judgement,
    Look,
    Retreat,
    ask_defences,
    ask_retreat,
    first_look,
    goes_on,
    is_clear,
    is_open,
    look_deeper,
    may_lose_tempo,
    promise,
)
from miner.judge.inquiry import (
    look as look_at,
)
from miner.judge.stage import gathered
from miner.settings import JudgeSettings
from miner.terms import Score, Side, expected_score
from tests.inquiries import heard
from tests.judge.tables import board_after, position

SETTINGS = JudgeSettings(nodes=(100, 200, 400), keep=(0.7, 0.8), loss_threshold=0.10, tempo_threshold=0.05)
AFTER_E5 = "e4 e5"


@dataclass
class Script:
    """An engine that knows what each move is worth, and notes what it was asked.

    Asked for the position after one of the moves, it says the same as of the move, from the other side.
    """

    cp: dict[str, int]  # by UCI move; moves that are not named are worth -1000
    cp_later: dict[str, int] = field(default_factory=dict)  # the same after the reply and its answer
    lines: dict[str, str] = field(default_factory=dict)  # the line that begins with a move
    fails_over: tuple[str, int] = ("", 0)  # a move (empty: all moves) and nodes
    cp_after: dict[str, int] = field(
        default_factory=dict
    )  # what a move proves to be worth after it is played
    asked: list[tuple[int, tuple[str, ...]]] = field(default_factory=list)  # nodes; moves held to, or played
    first_fen: str = ""
    replies: dict[str, str] = field(default_factory=dict)  # first moves by the FEN after them

    def answer(self, request: Request) -> Answer:
        board = chess.Board(request.fen)
        if not self.first_fen:
            self.first_fen = request.fen
            self.replies = {
                Request.of(after(board, (move,)), 1).fen: move.uci() for move in board.legal_moves
            }
        reply = self.replies.get(request.fen, "")
        moves = (reply,) if reply else request.searchmoves
        self.asked.append((request.nodes, moves))
        if (" ".join(moves), request.nodes) == self.fails_over:
            return Failure("no engine left")
        if reply:
            [*line] = self.lines.get(reply, reply).split()[1:] or [next(iter(board.legal_moves)).uci()]
            worth = (self.cp | self.cp_after).get(reply, -1000)
            return Verdict(Score(mover(request), cp=-worth), tuple(line), request.nodes, 9)
        known = self.cp if request.fen == self.first_fen else self.cp_later
        legal = [move.uci() for move in board.legal_moves]
        best = max(moves or legal, key=lambda move: known.get(move, -1000))
        pv = tuple(self.lines.get(best, best).split())
        return Verdict(Score(mover(request), cp=known.get(best, -1000)), pv, request.nodes, 9)

    def judge(self, moves: str, *replies: str) -> list[Judgement]:
        judgements = heard(first_look(position(moves, *replies, worth=2.0), SETTINGS), self.answer)
        if still_open := [one for one in judgements if is_open(one, SETTINGS)]:
            heard(look_deeper(still_open, SETTINGS), self.answer)
        return judgements


def test_stages_are_asked_for_what_is_open() -> None:
    """A blunder goes to the end, a doubtful move to the second stage, a good one only to the screen."""
    script = Script({"g1f3": 15, "f1c4": 10, "b1c3": -36, "d1h5": -80})

    judgements = script.judge(AFTER_E5, "Nf3", "Bc4", "Nc3", "Qh5")

    assert [[look.nodes for look in one.looks] for one in judgements] == [
        [100],
        [100],
        [100, 200],
        [100, 200, 400],
    ]
    assert [round(one.loss, 3) for one in judgements] == [0.0, 0.007, 0.073, 0.135]
    assert script.asked == [
        (100, ()),
        (100, ("g1f3",)),
        (100, ("f1c4",)),
        (100, ("b1c3",)),
        (100, ("d1h5",)),
        (200, ()),
        (200, ("b1c3",)),
        (200, ("d1h5",)),
        (400, ()),
        (400, ("d1h5",)),
    ]


def test_reply_is_searched_after_it_is_played() -> None:
    """What the position's search takes for its best move goes on if the search after it sees it lose."""
    script = Script({"g1f3": 15, "f1c4": 40}, cp_after={"f1c4": -80}, lines={"f1c4": "f1c4 d7d5 c4d5"})

    [judgement] = script.judge(AFTER_E5, "Bc4")

    assert [look.nodes for look in judgement.looks] == [100, 200, 400]
    assert judgement.loss == 0.0
    assert judgement.looks[0].suspected == pytest.approx(0.171, abs=0.001)
    assert judgement.looks[0].reply == Verdict(
        Score(Side.WHITE, cp=-80), ("f1c4", "d7d5", "c4d5"), nodes=100, depth=9
    )


def test_mate_after_the_reply_counts_from_before_it() -> None:
    """A reply after which mate comes with the next move is a mate in two; a mating one is searched itself."""
    board = chess.Board("6k1/8/6K1/8/8/8/8/R6Q w - - 0 1")
    waiting, mating = chess.Move.from_uci("g6f6"), chess.Move.from_uci("a1a8")
    some = [
        Judgement(position("e4 e5", "Nf3"), replace(candidate(), move=move)) for move in (waiting, mating)
    ]
    inquiry = look_at(board, some, 100)

    _, after_waiting, for_mating = next(inquiry)
    best = Verdict(Score(Side.WHITE, mate=1), ("a1a8",), 100, 9)
    with pytest.raises(StopIteration):
        inquiry.send([best, Verdict(Score(Side.BLACK, mate=-1), ("g8f8", "a1a8"), 100, 9), best])

    assert (after_waiting.fen, after_waiting.searchmoves) == (Request.of(after(board, (waiting,)), 1).fen, ())
    assert (for_mating.fen, for_mating.searchmoves) == (Request.of(board, 1).fen, ("a1a8",))
    assert some[0].looks[0].reply.score == Score(Side.WHITE, mate=2)
    assert some[0].looks[0].reply.pv == ("g6f6", "g8f8", "a1a8")
    assert some[1].looks[0].reply == best


def test_last_budget_is_for_what_is_in_doubt() -> None:
    """What two looks agree on by far is judged; it is explained all the same."""
    script = Script({"g1f3": 15, "d1h5": -250}, lines={"d1h5": "d1h5 b8c6 f1c4 g8f6"})

    [judgement] = script.judge(AFTER_E5, "Qh5")

    assert [look.nodes for look in judgement.looks] == [100, 200]
    assert (100, ("f1c4",)) in script.asked


@pytest.mark.parametrize(
    ("before", "now", "clear"),
    [
        ((0, -200), (0, -200), True),
        ((0, -105), (0, -200), False),  # 0.147 lost at the look before, where 0.17 is clear
        ((160, -60), (160, -60), False),  # it leaves 0.41, of at most 0.45 - 0.07
        ((0, -200), (0, -105), False),
    ],
)
def test_clear_mistake(before: tuple[int, int], now: tuple[int, int], clear: bool) -> None:
    """The two looks before the last budget agree, with room to spare, in loss and in what is left."""
    judgement = Judgement(position("e4 e5", "Nf3"), candidate(), looks=[look(*before), look(*now)])

    assert is_clear(judgement, SETTINGS) is clear
    assert not is_clear(replace(judgement, looks=[look(*now)]), SETTINGS)


def test_failed_position_fails_its_open_candidates() -> None:
    """Without the best move there is no loss; what was settled before stays."""
    script = Script({"g1f3": 30, "f1c4": 25, "d1h5": -80}, fails_over=("", 200))

    good, blunder = script.judge(AFTER_E5, "Bc4", "Qh5")

    assert (good.failure, blunder.failure) == ("", "no engine left")


def test_failed_reply_fails_alone() -> None:
    """Only the candidate whose search failed is inconclusive."""
    script = Script({"g1f3": 30, "b1c3": -70, "d1h5": -70}, fails_over=("d1h5", 200))

    other, failed = script.judge(AFTER_E5, "Nc3", "Qh5")

    assert (len(other.looks), other.failure, failed.failure) == (3, "", "no engine left")


def test_illegal_reply_is_a_failure() -> None:
    """A reply that cannot be played where it was tallied is told, and no engine is asked."""
    script = Script({"g1f3": 30})
    strange = position(AFTER_E5, "Nf3")
    inquiry = first_look(type(strange)(strange.key, board_after("e4").fen(), strange.candidates), SETTINGS)

    try:
        next(inquiry)
    except StopIteration as end:
        [judgement] = end.value

    assert judgement.failure == "the reply is not legal in this position"
    assert script.asked == []


VIENNA = {"d7d5": 20, "e5f4": -50}
AFTER_4_E5 = {"f6g8": -50, "d8e7": -180, "d7d6": -250}
LINES = {"e5f4": "e5f4 e4e5 f6g8", "d8e7": "d8e7 d1e2 f6g8"}


def test_forced_retreat_is_measured_against_the_rest() -> None:
    """4...Qe7 only puts off the way home, so that it is 4...d6 which shows what staying costs."""
    script = Script(VIENNA, AFTER_4_E5, LINES)

    [judgement] = script.judge("e4 e5 Nc3 Nf6 f4", "exf4")

    assert judgement.retreat == Retreat("f6g8", expected_score(-50) - expected_score(-250))
    whole = max(at for at, asked in enumerate(script.asked) if asked == (200, ()))
    (_, others), (_, without_detour) = script.asked[whole + 1 : whole + 3]
    assert "d8e7" in others
    assert "d8e7" not in without_detour
    assert not {"f6g8"} & {*others, *without_detour}


def test_defences_as_good_are_kept() -> None:
    """After 3...exf4 4.e5 the moves up to 0.50 worse than 4...Ng8 count; what is much worse does not."""
    script = Script(VIENNA, {"f6g8": -50, "d8e7": -75, "f6h5": -100, "d7d6": -250}, LINES)

    [judgement] = script.judge("e4 e5 Nc3 Nf6 f4", "exf4")

    assert judgement.defences == (
        ("e5f4", "e4e5", "d8e7", "d1e2", "f6g8"),
        ("e5f4", "e4e5", "f6h5"),
    )
    assert {nodes for nodes, _ in script.asked[-4:]} == {SETTINGS.nodes[0]}


def test_defence_is_measured_against_the_best() -> None:
    """Where another defence proves better than the line's own, the others are measured by it."""
    script = Script(VIENNA, {"f6g8": -50, "d8e7": -30, "f6h5": -85, "d7d6": -250}, LINES)

    [judgement] = script.judge("e4 e5 Nc3 Nf6 f4", "exf4")

    assert [line[2] for line in judgement.defences] == ["d8e7"]


def test_defences_that_cannot_be_had_are_none() -> None:
    """A search that fails costs the defences of its turn, not the verdict."""
    script = Script(VIENNA, {"f6g8": -50, "d8e7": -75, "d7d6": -250}, LINES, fails_over=("f6g8", 100))

    [judgement] = script.judge("e4 e5 Nc3 Nf6 f4", "exf4")

    assert (judgement.failure, judgement.defences) == ("", ())


def test_defences_are_asked_for_losing_replies_only() -> None:
    """A reply that the screen lets go, or that allows mate, needs none."""
    script = Script({"g1f3": 30, "f1c4": 25}, {}, {"f1c4": "f1c4 b8c6 d2d3"})

    [judgement] = script.judge(AFTER_E5, "Bc4")

    assert judgement.defences == ()
    assert {nodes for nodes, _ in script.asked} == {100}


def test_only_move_leaves_no_other_defence() -> None:
    """Black in check has one way out: no engine is asked."""
    board = chess.Board("7k/6p1/8/8/8/8/5PPP/R5K1 w - - 0 1")

    with pytest.raises(StopIteration) as end:
        next(ask_defences(board, ("a1a8", "h8h7"), nodes=100))

    assert end.value.value == ()


def test_free_retreat_is_none() -> None:
    """If another move is best after all, nobody is driven home."""
    script = Script(VIENNA, AFTER_4_E5 | {"d7d6": 0}, LINES)

    [judgement] = script.judge("e4 e5 Nc3 Nf6 f4", "exf4")

    assert judgement.retreat is None


def test_way_home_that_can_only_be_put_off() -> None:
    """Black has ...Ng8, or ...Kh7 and then ...Ng8: with no other way, staying is worth nothing."""
    board = chess.Board("8/4Np1k/5P1n/5p2/5Pp1/6P1/8/4K3 b - - 0 1")
    inquiry = ask_retreat(board, ("h7h8", "e1e2", "h6g8"), nodes=100)
    home = Verdict(Score(Side.BLACK, cp=-100), ("h6g8", "e7g8"), 100, 9)
    put_off = Verdict(Score(Side.BLACK, cp=-110), ("h8h7", "e2e1", "h6g8"), 100, 9)

    [whole] = next(inquiry)
    [others] = inquiry.send([home])
    try:
        inquiry.send([put_off])
    except StopIteration as end:
        retreat = end.value

    assert (whole.searchmoves, others.searchmoves) == ((), ("h8h7",))
    assert retreat == Retreat("h6g8", expected_score(-100))


def look(best_cp: int, reply_cp: int, *, best: str = "d7d5", reply: str = "f7f6") -> Look:
    """Black's best move and reply with their centipawns."""
    return Look(
        100,
        Verdict(Score(Side.BLACK, cp=best_cp), (best,), 100, 5),
        Verdict(Score(Side.BLACK, cp=reply_cp), (reply,), 100, 5),
    )


def candidate(worth: float = 2.0, *, promoted: bool = False) -> Candidate:
    move = chess.Move.from_uci("f7f6")
    return Candidate(move, pack(move), worth, promoted)


def test_loss_is_in_expected_score() -> None:
    """From +0 to -100 is from 50 % to 36 %; the best move loses nothing, nor does one that seems better."""
    assert look(0, -100).loss == pytest.approx(0.5 - 1 / (1 + 10**0.25))
    assert look(0, -100, reply="d7d5").loss == 0.0
    assert look(0, 12).loss == 0.0


@pytest.mark.parametrize(
    ("reply_cp", "stage", "goes"),
    [
        (-47, 0, False),  # 0.067 lost, the bar being 0.7 x 0.10
        (-50, 0, True),  # 0.071
        (-55, 1, False),  # 0.079, the bar being 0.8 x 0.10
        (-57, 1, True),  # 0.081
        (-400, 2, False),  # there is no deeper budget
    ],
)
def test_bar_is_a_share_of_the_threshold(reply_cp: int, stage: int, goes: bool) -> None:
    """A reply of the usual worth goes on if it has lost the setting's share of the threshold."""
    assert goes_on(look(0, reply_cp), stage, candidate(), SETTINGS, tempo=False) is goes


@pytest.mark.parametrize(
    ("best_cp", "reply_cp", "stage", "goes"),
    [
        (140, 0, 0, False),  # 0.19 lost, the bar being 2 x 0.10
        (160, 0, 0, True),  # 0.215
        (65, 0, 1, False),  # 0.092: later the bar is the threshold
        (75, 0, 1, True),  # 0.106
        (400, 0, 2, False),  # the last budget is not for it
    ],
)
def test_missed_chance_must_be_large(best_cp: int, reply_cp: int, stage: int, goes: bool) -> None:
    """What leaves its player well is no mistake, and must lose more to be looked at deeper."""
    four = replace(SETTINGS, nodes=(100, 200, 400, 800))

    assert goes_on(look(best_cp, reply_cp), stage, candidate(), four, tempo=False) is goes


def test_possible_tempo_has_its_own_threshold() -> None:
    """Where a tempo may be lost, half as much is enough."""
    assert not goes_on(look(0, -26), 0, candidate(), SETTINGS, tempo=False)
    assert goes_on(look(0, -26), 0, candidate(), SETTINGS, tempo=True)


def test_promoted_reply_gets_a_second_look_only() -> None:
    """Players' results are a reason to look again, not to go all the way."""
    assert goes_on(look(0, 0), 0, candidate(promoted=True), SETTINGS, tempo=False)
    assert not goes_on(look(0, 0), 1, candidate(promoted=True), SETTINGS, tempo=False)


def test_mate_is_always_looked_at_again() -> None:
    """A missed mate goes on although +20 is as good as won; the mating move itself loses nothing."""
    mate = Verdict(Score(Side.BLACK, mate=4), ("d7d5",), 100, 5)
    winning = Verdict(Score(Side.BLACK, cp=2000), ("f7f6",), 100, 5)

    assert goes_on(Look(100, mate, winning), 1, candidate(), SETTINGS, tempo=False)
    assert not goes_on(Look(100, mate, mate), 1, candidate(), SETTINGS, tempo=False)


@pytest.mark.parametrize(
    ("line", "may"),
    [
        ("f4 e5f4 e4e5 f6g8", True),
        ("f4 e5f4 e4e5 d8e7 d1e2 f6g8", True),
        ("f4 e5f4 e4e5 d8e7 d1e2 d7d6", False),
        ("f4 e5f4", False),
    ],
)
def test_way_home_in_the_line(line: str, may: bool) -> None:
    """The knight that returns to g8 with the next move or the one after is a sign of a lost tempo."""
    board = board_after("e4 e5 Nc3 Nf6 f4")
    pv = tuple(line.split()[1:])
    seen = Look(100, look(0, 0).best, Verdict(Score(Side.BLACK, cp=0), pv, 100, 5))

    assert may_lose_tempo(board, seen) is may


def open_judgement(best_cp: int, reply_cp: int, *, worth: float = 2.0, tempo: bool = False) -> Judgement:
    judgement = Judgement(position("e4 e5", "Nf3"), candidate(worth), looks=[look(best_cp, reply_cp)])
    judgement.tempo = tempo
    return judgement


def test_what_promises_most_is_looked_at_first() -> None:
    """A rare blunder before a common doubt; of what loses as much, what leaves its player well comes last."""
    blunder, doubt = open_judgement(0, -300), open_judgement(0, -65, worth=6.0)
    lost_tempo = open_judgement(0, -65, worth=6.0, tempo=True)
    missed, nothing = open_judgement(200, 20), open_judgement(0, 0)

    promised = [promise(one, SETTINGS) for one in (blunder, lost_tempo, doubt, missed, nothing)]

    assert promised == sorted(promised, reverse=True)
    assert len(set(promised)) == len(promised)
    assert promised[-1] > 0.0


def test_positions_are_taken_up_by_their_most_promising_reply() -> None:
    """Replies of one position are searched together unless one promises much less than the other."""
    here, there = position("e4 e5", "Nf3"), position("e4 e5", "Bc4", "Nc3")
    ours = Judgement(here, here.candidates[0], looks=[look(0, -200)])
    first = Judgement(there, there.candidates[0], looks=[look(0, -400)])
    second = Judgement(there, there.candidates[1], looks=[look(0, -60)])
    beside = Judgement(there, there.candidates[1], looks=[look(0, -390)])
    elsewhere = Judgement(position("e4", "e5"), candidate(), looks=[look(0, -300)])

    assert gathered([second, elsewhere, first], SETTINGS) == [[first], [elsewhere], [second]]
    assert gathered([beside, elsewhere, first], SETTINGS)[0] == [first, beside]
    assert gathered([ours], SETTINGS) == [[ours]]
