"""Annotated games, read back by two readers."""

from __future__ import annotations

import io
import re

import chess
import chess.pgn
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.export.pgn import TAG_LENGTH, pgn_bytes
from miner.finding.finding import Finding
from miner.finding.words import chosen_sentence, plain, reason_sentence, teaching_sentences, usual_sentence
from tests.export.examples import any_finding, first_move, legal, table, vienna
from tests.reading import decoded_plies, expected_plies

HOSTILE = st.text(st.sampled_from('{}[]"\\%;()$ \n\r\t*aé\u2028')) | st.text(st.characters(codec="utf-8"))


def read_back(*rows: Finding) -> list[chess.pgn.Game]:
    """All games as python-chess reads them, none with an error."""
    text = io.StringIO(pgn_bytes(table(*rows)).decode(), newline="")
    games = list(iter(lambda: chess.pgn.read_game(text), None))
    assert [game.errors for game in games] == [[]] * len(games)
    return games


def unescaped(tag: str) -> str:
    """A tag value as the standard reads it; both readers leave the backslashes in."""
    return re.sub(r"\\(.)", r"\1", tag)


def comment_of(node: chess.pgn.GameNode) -> str:
    return " ".join(str(node.comment).split())


def test_bytes_of_one_game() -> None:
    """The whole of a small file, as the standard lays it out."""
    assert pgn_bytes(table(vienna())).decode().splitlines() == [
        '[Event "Trap: Vienna Gambit"]',
        '[Site "?"]',
        '[Date "????.??.??"]',
        '[Round "1"]',
        '[White "?"]',
        '[Black "?"]',
        '[Result "*"]',
        '[ECO "C29"]',
        '[Opening "Vienna Gambit"]',
        "",
        "{ Arises in 1% of the games, in 25% if White plays towards it. } 1. e4 e5 2.",
        "Nc3 Nf6 3. f4 exf4 $2 { Players rated 1000-1199 chose 3...exf4 in 28 of 80",
        "games (35%; 27 to 44%). By the engine it costs 0.11 of a point. Those who chose",
        "it scored 41% in 28 games, the others there 52% in 52 games. } ( 3... d5 4.",
        "fxe5 Nxe4 $10 { If Black plays 3...d5 or a move as good, White expects 0.50 of",
        "a point. } ) 4. e5 Ng8 5. Nf3 $14 { The knight must go back from f6 to g8.",
        "Teaching it is worth at most about 0.47 points per 100 games, likely 0.20 or",
        "more: it comes up in 25% of the games if White plays towards it, is chosen by",
        "35%, is not punished by 60% today, gives who punishes it 0.12 of a point more.",
        "Players rated 1000-1199 found 4.e5 in 16 of 39 games by 31 players (by these",
        "and by what is usual, 40% are to be expected; 31 to 49%). White scored 58%",
        "after the reply in 26 games; 60% were to be expected. Model games in the store:",
        "12, 7. } *",
        "",
    ]


def test_no_findings() -> None:
    """An empty list gives an empty file."""
    assert pgn_bytes(table()) == b""


def test_lines_read_back() -> None:
    """Main line, variation, sign and comment are where a player expects them."""
    for row, game in zip([vienna(), legal()], read_back(vienna(), legal()), strict=True):
        mainline = [node.san() for node in game.mainline()]
        losing = list(game.mainline())[row.ply]
        better = losing.parent.variations[1] if losing.parent else None

        assert mainline == [*row.path, row.losing_reply, *row.refutation]
        assert comment_of(losing).startswith(chosen_sentence(row))
        assert comment_of(game.end()) == f"{reason_sentence(row)} {teaching_sentences(row)}"
        assert better is not None
        assert [better.san(), *(node.san() for node in better.mainline())] == list(row.best_line)


def test_what_players_really_answer_is_the_main_line() -> None:
    """Most go 4...Qe7 after 4.e5: that comes first, the best defence is a variation with the reason."""
    row = vienna(usual_line=("e5", "Qe7", "Qe2"), usual_games=12, usual_of=20)

    [game] = read_back(row)

    assert [node.san() for node in game.mainline()][-3:] == ["e5", "Qe7", "Qe2"]
    assert comment_of(game.end()) == usual_sentence(row)
    best = list(game.mainline())[6].variations[1]
    assert [best.san(), *(node.san() for node in best.mainline())] == ["Ng8", "Nf3"]
    assert comment_of(best.end()).startswith(reason_sentence(row))


def test_usual_defence_that_is_the_best_one() -> None:
    """Where players defend themselves as well as they can, there is one line, and it is said."""
    row = vienna(usual_line=("e5", "Ng8", "d4"), usual_games=12, usual_of=20)

    [game] = read_back(row)

    assert [node.san() for node in game.mainline()][-3:] == ["e5", "Ng8", "Nf3"]
    assert comment_of(game.end()).endswith(usual_sentence(row))


@pytest.mark.parametrize(
    ("row", "nag"),
    [
        (vienna(loss=0.249), chess.pgn.NAG_MISTAKE),
        (vienna(loss=0.25), chess.pgn.NAG_BLUNDER),
        (legal(loss=0.2), chess.pgn.NAG_BLUNDER),
    ],
)
def test_signs(row: Finding, nag: int) -> None:
    """A quarter of a point or a mate is a blunder ($4), anything less a mistake ($2)."""
    [game] = read_back(row)

    assert list(game.mainline())[row.ply].nags == {nag}


@pytest.mark.parametrize(
    ("cp_best", "nag"),
    [
        (0, chess.pgn.NAG_DRAWISH_POSITION),
        (-40, chess.pgn.NAG_WHITE_SLIGHT_ADVANTAGE),
        (110, chess.pgn.NAG_BLACK_MODERATE_ADVANTAGE),
        (-9_997, chess.pgn.NAG_WHITE_DECISIVE_ADVANTAGE),
    ],
)
def test_standings(cp_best: int, nag: int) -> None:
    """A line ends with the standing from White's point of view, though the numbers are Black's here."""
    [game] = read_back(vienna(cp_best=cp_best))

    best = list(game.mainline())[4].variations[1]
    assert best.end().nags == {nag}


def test_mate_needs_no_standing() -> None:
    """What is mate on the board carries no sign."""
    [game] = read_back(legal())

    assert game.end().board().is_checkmate()
    assert game.end().nags == set()


def test_a_mistake_on_the_first_move() -> None:
    """A finding at the start position has no path; its refutation goes on with Black's move."""
    [game] = read_back(first_move())

    assert game.headers["Event"] == "Pitfall: the first move"
    assert [variation.san() for variation in game.variations] == ["g4", "e4"]
    assert "ECO" not in game.headers
    assert "Opening" not in game.headers


def test_only_a_best_move_is_known() -> None:
    """Without a best line the best move alone is the variation."""
    [game] = read_back(vienna(best_line=(), refutation=()))

    assert [node.san() for node in game.end().parent.variations] == ["exf4", "d5"]  # type: ignore[union-attr]


def test_rounds_are_ranks() -> None:
    """The order of the list is the number of the round."""
    assert [game.headers["Round"] for game in read_back(legal(), vienna(), first_move())] == ["1", "2", "3"]


def check_second_reader(*rows: Finding) -> None:
    """Our own compiled reader finds the same games, and keeps all of their main lines."""
    found = decoded_plies(pgn_bytes(table(*rows)))

    assert found == [expected_plies(ours, 255) for ours in read_back(*rows)]


def test_the_compiled_reader_agrees() -> None:
    """A second reader finds no error and the same main lines."""
    check_second_reader(vienna(opening='The "\\" Gambit'), legal(), first_move())


@given(row=any_finding())
def test_any_legal_lines(row: Finding) -> None:
    """Castling, promotion, en passant and mate come back from both readers as they went."""
    [game] = read_back(row)

    position = list(game.mainline())[row.ply].parent
    assert position is not None
    assert position.board().fen(en_passant="legal") == row.fen
    assert [node.san() for node in game.mainline()][row.ply :] == [
        row.losing_reply,
        *row.refutation,
    ]
    assert [node.san() for node in position.variations] == [row.losing_reply, row.best_move]
    check_second_reader(row)


@given(text=HOSTILE)
def test_hostile_tags(text: str) -> None:
    """Whatever an Opening tag held, it comes back as plain text, and the games around it are whole."""
    games = read_back(legal(), vienna(opening=text, eco=text), legal())

    clean = plain(text, TAG_LENGTH)
    assert len(games) == 3
    assert unescaped(games[1].headers.get("Opening", "")) == clean
    assert unescaped(games[1].headers.get("ECO", "")) == clean
    assert [node.san() for node in games[1].mainline()][5] == "exf4"


@given(text=HOSTILE)
def test_hostile_comments(text: str) -> None:
    """Whatever a reason holds, the comment ends where it should, and both readers read the same moves."""
    [game] = read_back(vienna(reason_detail=text))

    reason = reason_sentence(vienna(reason_detail=text)).replace("{", "(").replace("}", ")")
    told = f"{reason} {teaching_sentences(vienna())}".strip()
    assert comment_of(game.end()) == told.replace("[%", "[ %")
    check_second_reader(vienna(reason_detail=text))


@given(text=HOSTILE)
def test_no_line_starts_an_escape(text: str) -> None:
    """Readers skip a line that begins with a per cent sign, so none does; tags stay below 255 characters."""
    lines = pgn_bytes(table(vienna(reason_detail=f"{text} % {text} %a", opening=text))).decode().split("\n")

    assert not [line for line in lines if line.startswith("%")]
    assert max(map(len, lines)) < 255


def test_lines_are_shorter_than_eighty() -> None:
    """Move text and comments are wrapped as the standard asks."""
    lines = pgn_bytes(table(vienna(), legal(reason_detail="the queen is lost, " * 20))).decode().splitlines()

    assert max(map(len, lines)) < 80
