"""What is said beside each move of a model game: signs, sentences, better lines. Pure functions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import chess
import chess.pgn

from miner.board.moves import after, parse_uci_line, sans_of
from miner.board.settle import MATED, material_balance, settled_balance
from miner.explain.explanation import ADVANTAGE, NO_SIMPLE_REASON
from miner.explain.material import Cost
from miner.explain.pattern import is_back_rank_mate
from miner.finding.mistake import Mistake
from miner.finding.why import exact_sentence
from miner.finding.words import joined, numbered_sans, reason_sentence
from miner.game.inquiry import LONGEST_MATE, Seen, Turn
from miner.game.mistakes import GameMistake, mistakes_of
from miner.game.phrases import Sentence, comment, points
from miner.game.plan import Course, Fact, material_words, plan_facts, square_fact
from miner.game.stops import Stop, stops_of
from miner.reasons import Reason
from miner.settings import RankSettings
from miner.terms import BLUNDER_LOSS, Side

_BETTER = 5  # plies of a better line that are told
_END = 7  # plies of a line after the last move, where it is no mate
_BARELY = 0.03  # expected score by which an advantage must be gone
_GIVEN_UP = 2  # pawns that a sacrifice gives up at least
_TELLING = {"said": "said_of", "point": "idea", "then": "idea", "allows": "allowed"}
"""Sentences that give an answer away, and what they are called once it was given."""
_WORSE = RankSettings().mistake_score


@dataclass(slots=True)
class Note:
    """What stands beside one move."""

    nag: int = 0  # 0: none
    sentences: list[Sentence] = field(default_factory=list)
    better: tuple[str, ...] = ()  # a line instead of the move, SAN
    point: tuple[str, ...] = ()  # what punishes the move, where the game went on otherwise


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """A model game with all that is said of it."""

    seen: Seen
    notes: dict[int, Note]  # by ply
    stops: list[Stop]
    why_chosen: str

    @property
    def sans(self) -> tuple[str, ...]:
        """The moves of the game, SAN."""
        return sans_of(chess.Board(), self.seen.game.moves)


def told_of(seen: Seen) -> Told:
    """All that is said of a game that was searched."""
    mistakes = mistakes_of(seen)
    stops = stops_of(seen, mistakes)
    notes: dict[int, Note] = {ply: Note() for ply in range(len(seen.game.moves))}
    _say_turns(seen, mistakes, notes)
    _say_only(seen, notes)
    _hold_back(seen, stops, notes)
    _say_facts(seen, mistakes, stops, notes)
    _say_end(seen, notes[len(seen.game.moves) - 1])
    return Told(seen=seen, notes=_with_words(notes), stops=stops, why_chosen=_why_chosen(seen))


def _with_words(notes: dict[int, Note]) -> dict[int, Note]:
    return {ply: note for ply, note in notes.items() if note.nag or note.sentences}


def _why_chosen(seen: Seen) -> str:
    """How cleanly it was won, whether the gain was given back on the way, and from when on it is decided."""
    winner, lost = seen.game.winner.capitalize(), points(seen.given_away)
    gone = next((ply for ply in range(seen.game.answer_ply, seen.decided_ply) if _is_gone(seen, ply)), None)
    is_decided = seen.decided_ply < len(seen.game.moves)
    given_back = "given_back" if is_decided else "given_back_for_good"
    return joined(
        comment("gives_away" if float(lost) else "clean", winner=winner, lost=lost),
        comment(given_back, move=gone // 2 + 1) if gone else "",
        comment("decided", move=seen.decided_ply // 2 + 1) if is_decided else "",
    )


def _is_gone(seen: Seen, ply: int) -> bool:
    """Whether the winner had an advantage from the losing reply, gave it away, and has it no more here."""
    gave = (at for at in seen.turns if seen.boards[at].turn == seen.game.winner.color)
    has_slipped = any(seen.game.answer_ply <= at < ply for at in gave)
    had = seen.for_winner(seen.game.answer_ply)
    return has_slipped and had >= ADVANTAGE > seen.for_winner(ply) + _BARELY


def _say_turns(seen: Seen, mistakes: dict[int, GameMistake], notes: dict[int, Note]) -> None:
    """What was given away, why, and what was better; first of all the losing reply."""
    game = seen.game
    if game.finding is not None:
        line = _point(seen, game.reply_ply, game.finding.refutation)
        notes[game.reply_ply] = _of_finding(game.finding, line)
        if game.finding.refutation[:1] == (seen.boards[game.answer_ply].san(game.moves[game.answer_ply]),):
            notes[game.answer_ply].sentences.append(Sentence("taught"))
    for ply, turn in seen.turns.items():
        is_told = ply == game.reply_ply and game.finding is not None
        if is_told or (ply < game.reply_ply and ply not in mistakes):
            continue
        note, board = notes[ply], seen.boards[ply]
        note.better = _shown(board, turn.best.pv)
        is_known = ply > 0 and notes[ply - 1].point[:1] == note.better[:1]
        line = note.better[: 1 if is_known else None]
        if ply not in mistakes:
            note.nag = chess.pgn.NAG_DUBIOUS_MOVE
            note.sentences.append(Sentence("better", line=line, ply=ply))
            continue
        mistake = mistakes[ply]
        note.nag = _nag(mistake)
        note.sentences.append(Sentence("gives", {"loss": points(turn.loss)}, line, ply))
        note.point = _point(seen, ply, mistake.refutation)
        if note.point:
            name = "point" if mistake.is_punishable and _has_reason(mistake) else "then"
            note.sentences.append(Sentence(name, line=note.point, ply=ply + 1))
        note.sentences += [*_why(mistake), *_balance(turn, Side.of(board.turn))]


def _point(seen: Seen, ply: int, refutation: tuple[str, ...]) -> tuple[str, ...]:
    """What punishes a move, unless the game shows it."""
    played = sans_of(seen.boards[ply + 1], seen.game.moves[ply + 1 :][: len(refutation)])
    return () if played == refutation else refutation


def _of_finding(finding: Mistake, point: tuple[str, ...]) -> Note:
    """What is said of the losing reply; `point`: what punishes it, if the game does not show it."""
    better = finding.better[:_BETTER]
    punished = [Sentence("point", line=point, ply=finding.ply + 1)] if point else []
    nags = {"??": chess.pgn.NAG_BLUNDER, "?!": chess.pgn.NAG_DUBIOUS_MOVE}
    return Note(
        nag=nags.get(finding.sign, chess.pgn.NAG_MISTAKE),
        sentences=[*punished, *_why(finding), Sentence("better", line=better, ply=finding.ply)],
        better=better,
        point=point,
    )


def _why(mistake: Mistake) -> list[Sentence]:
    """The reason, and how it works as far as men and squares show it; of a loss without a reason nothing."""
    if not _has_reason(mistake) or mistake.reason_detail.startswith(Cost.GETS):
        return []  # in a won game a little less material is no reason
    if _allows_mate(mistake):
        moves = int(mistake.reason_detail.rpartition(" ")[2])
        what = mistake.reason_detail if moves <= LONGEST_MATE else "mate by force"
        return [Sentence("allows", {"side": mistake.mover.capitalize(), "what": what})]
    said = filter(None, (reason_sentence(mistake), exact_sentence(mistake)))
    return [Sentence("said", {"text": text}) for text in said]


def _has_reason(mistake: Mistake) -> bool:
    return mistake.reason_detail not in ("", NO_SIMPLE_REASON)


def _allows_mate(mistake: Mistake) -> bool:
    return mistake.reason is Reason.MATE and not mistake.reason_detail.startswith("misses")


def _nag(mistake: GameMistake) -> int:
    if not mistake.is_punishable:
        return chess.pgn.NAG_DUBIOUS_MOVE
    is_blunder = mistake.loss >= BLUNDER_LOSS or _allows_mate(mistake)
    return chess.pgn.NAG_BLUNDER if is_blunder else chess.pgn.NAG_MISTAKE


def _balance(turn: Turn, side: Side) -> list[Sentence]:
    """Whether the advantage goes, or goes over to the other side."""
    had, left = turn.best.score.expected, turn.left
    if left <= _WORSE < had:
        return [Sentence("turned", {"side": side.other.capitalize()})]
    return [Sentence("gone", {"side": side.capitalize()})] if left < ADVANTAGE <= had else []


def _shown(board: chess.Board, pv: Sequence[str]) -> tuple[str, ...]:
    """The beginning of a line, up to a move of the side that begins it."""
    plies = min(len(pv), _BETTER)
    return sans_of(board, parse_uci_line(board, pv[: plies if plies % 2 else plies - 1]))


def _say_only(seen: Seen, notes: dict[int, Note]) -> None:
    """What was clearly or alone the best, and what gives something up and is the best all the same."""
    for ply in range(seen.game.answer_ply, len(seen.game.moves)):
        look, choice, move = seen.looks[ply], seen.choices.get(ply), seen.game.moves[ply]
        is_best = choice is not None or (look is not None and look.move == move.uci())
        if not is_best or ply in seen.turns:
            continue
        sacrifices = (
            seen.expected(ply) >= ADVANTAGE
            and gives_up(seen.boards[ply], move)
            and not _comes_back(seen, ply)
        )
        if choice is not None:
            notes[ply].nag = chess.pgn.NAG_BRILLIANT_MOVE if sacrifices else chess.pgn.NAG_GOOD_MOVE
            is_only = choice.other.score.expected < ADVANTAGE
            only = Sentence("only" if is_only else "best", {"loss": points(choice.margin)})
            notes[ply].sentences.append(Sentence("only_mate") if choice.mate_in else only)
        elif sacrifices:
            notes[ply].nag = chess.pgn.NAG_SPECULATIVE_MOVE
        if sacrifices:
            notes[ply].sentences.append(Sentence("gives_up"))


def _comes_back(seen: Seen, ply: int) -> bool:
    """Whether what a move gives up is there again after the best answer and a move of one's own."""
    board, look = seen.boards[ply + 1], seen.looks[ply + 1]
    if look is None:
        return False
    later = after(board, parse_uci_line(board, look.pv[:2]))
    had = material_balance(seen.boards[ply], not board.turn)
    return not later.is_checkmate() and had <= settled_balance(later, not board.turn) < MATED


def gives_up(board: chess.Board, move: chess.Move) -> bool:
    """Whether a move lets the other side win two pawns or more by captures, while another would not.

    >>> board = chess.Board("r1bq1rk1/pppn1ppp/4pn2/3p4/3P4/3BPN2/PPP2PPP/R2QK2R w KQ - 0 1")
    >>> gives_up(board, board.parse_san("Bxh7+")), gives_up(board, board.parse_san("O-O"))
    (True, False)
    """
    had = material_balance(board, board.turn)

    def kept(other: chess.Move) -> int:
        return settled_balance(after(board, (other,)), board.turn)

    return kept(move) <= had - _GIVEN_UP and any(
        kept(other) >= had for other in board.legal_moves if other != move and not board.gives_check(other)
    )


def _hold_back(seen: Seen, stops: list[Stop], notes: dict[int, Note]) -> None:
    """What would give the answer of a stop away is said after it, and of which move it is said."""
    for stop in stops:
        before, answer = notes[stop.ply - 1], notes[stop.ply]
        held = [sentence for sentence in before.sentences if sentence.name in _TELLING]
        before.sentences = [sentence for sentence in before.sentences if sentence not in held]
        move = numbered_sans([seen.boards[stop.ply - 1].san(seen.game.moves[stop.ply - 1])], stop.ply - 1)
        answer.sentences += [
            replace(sentence, name=_TELLING[sentence.name], values={**sentence.values, "move": move})
            for sentence in held
        ]


def _say_facts(
    seen: Seen, mistakes: dict[int, GameMistake], stops: list[Stop], notes: dict[int, Note]
) -> None:
    """The plan, the square that decides, and from when on it is mate by force, unless that is told anyhow."""
    course = Course(
        boards=seen.boards,
        moves=seen.game.moves,
        start=seen.game.reply_ply,
        winner=seen.game.winner.color,
    )
    for fact in (*plan_facts(course), *_squares(course, stops)):
        if fact.name == "no_castling" and any("castle" in said.words() for said in notes[fact.ply].sentences):
            continue  # it is the reason why the move was bad
        notes[fact.ply].sentences.append(Sentence(fact.name, fact.values))
    known = {stop.ply for stop in stops if stop.choice.mate_in}
    known |= {ply + 1 for ply, mistake in mistakes.items() if mistake.reason is Reason.MATE}
    is_mate = course.boards[-1].is_checkmate()  # else the end tells of it
    if seen.mate_ply is not None and is_mate and seen.mate_in > 1 and seen.mate_ply not in known:
        notes[seen.mate_ply].sentences.append(
            Sentence("mate_in", {"n": seen.mate_in, "move": course.numbered(seen.mate_ply)})
        )


def _squares(course: Course, stops: list[Stop]) -> Iterator[Fact]:
    """The square that decides: that of the mate, else that of the last stop at which it is one."""
    last = len(course.moves) - 1
    plies = [last] if course.after(last).is_checkmate() else []
    plies += [stop.ply for stop in reversed(stops)]
    yield from [fact for ply in plies if (fact := square_fact(course, ply))][:1]


def _say_end(seen: Seen, note: Note) -> None:
    """How it ends: the last forced line in full, also where the loser has resigned before it."""
    board, winner, ply = seen.boards[-1], seen.game.winner, len(seen.game.moves)
    if board.is_checkmate():
        note.sentences += [Sentence("back_rank")] if is_back_rank_mate(board) else []
        return
    if seen.end is None:
        return
    line = sans_of(board, seen.end_line)
    plies = _until_quiet(board, seen.end_line)
    if seen.end.score.winner is winner:
        values = {"n": abs(seen.end.score.mate or 0)}
        note.sentences.append(Sentence("ends_mate" if line else "ends_mate_told", values, line, ply))
    elif settled_balance(board, board.turn) != material_balance(board, board.turn):
        note.sentences.append(Sentence("ends", {}, line[:plies], ply))
    else:
        name, values = material_words(board, winner.color)
        note.sentences.append(Sentence(f"ends_{name}", values, line[:plies], ply))


def _until_quiet(board: chess.Board, line: Sequence[chess.Move]) -> int:
    """Moves of the last line that are told: so many, and more while something is taken."""
    plies = min(_END, len(line))
    while plies < len(line) and after(board, line[:plies]).is_capture(line[plies]):
        plies += 1
    return plies
