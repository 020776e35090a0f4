"""Where pieces and pawns go, what is exchanged, what the winners have in common."""

from __future__ import annotations

import chess
from hypothesis import given
from hypothesis import strategies as st

from miner.follow.plans import Theme, first_exchange, plan_of, themes_of
from tests.stores import board_after


def line_of(board: chess.Board, moves: str) -> list[chess.Move]:
    """Moves in SAN from a board on."""
    board = board.copy()
    return [board.push_san(san) for san in moves.split()]


def themes_after(before: str, moves: str, own_moves: int = 13) -> set[tuple[str, str]]:
    """Square and detail of what the side to move does after the moves before."""
    board = board_after(before)
    return {(one.from_square, one.detail) for one in themes_of(board, line_of(board, moves), own_moves)}


def test_pieces_are_told_by_where_they_stood() -> None:
    """In the Ruy Lopez the queen's knight goes from b1 by d2 and f1 to g3, the bishop from f1 to c2."""
    before = "e4 e5 Nf3 Nc6"
    moves = "Bb5 a6 Ba4 Nf6 O-O Be7 Re1 b5 Bb3 d6 c3 O-O h3 Nb8 d4 Nbd7 Nbd2 Bb7 Bc2 Re8 Nf1 Bf8 Ng3"

    themes = themes_after(before, moves)

    assert themes == {
        ("", "castling short"),
        ("f1", "bishop c2"),
        ("b1", "knight g3"),
        ("h1", "rook e1"),
        ("c2", "pawn c3"),
        ("h2", "pawn h3"),
        ("d2", "pawn d4"),
    }


def test_castling_is_no_journey_of_the_rook() -> None:
    """After castling short rook and king stand where castling put them; no square is told of either."""
    assert themes_after("e4 e5 Nf3 Nc6 Bc4 Bc5", "O-O") == {("", "castling short")}


def test_only_so_many_own_moves() -> None:
    """The thirteenth move is looked at, the fourteenth not; here the second and the third."""
    assert ("f1", "bishop c4") in themes_after("", "e4 e5 Bc4 Nc6 Qh5", own_moves=2)
    assert ("d1", "queen h5") not in themes_after("", "e4 e5 Bc4 Nc6 Qh5", own_moves=2)


def test_pawns_tell_every_square() -> None:
    """A pawn that breaks through is seen on its way, also if it is taken in the end."""
    themes = themes_after("e4 e6 d4 d5", "e5 c5 c3 Nc6 f4 f6 exf6 Nxf6")

    assert themes == {("e4", "pawn e5"), ("c2", "pawn c3"), ("f2", "pawn f4")}


def test_what_the_mistake_offers_is_no_plan() -> None:
    """After 1.d4 e5 the pawn only takes; after 4...h6 the knight does, and counts when it moves on."""
    fried = "e4 e5 Nf3 Nc6 Bc4 Nf6 Ng5 h6"

    assert themes_after("d4 e5", "dxe5 Nc6 Nf3") == {("g1", "knight f3")}
    assert themes_after(fried, "Nxf7 Qe7 O-O") == {("", "castling short")}
    assert ("g5", "knight h8") in themes_after(fried, "Nxf7 Qe7 Nxh8")


def test_piece_that_was_taken_is_told_by_where() -> None:
    """The knight from g1 dies on e5."""
    assert ("g1", "knight e5") in themes_after("e4 e5", "Nf3 Nc6 Nxe5 Nxe5 d4")


def test_taken_en_passant() -> None:
    """A pawn that is taken in passing is gone: the square it passed over is nobody's."""
    themes = themes_after("e4 a6 e5", "d5 exd6 exd6 Nf3")

    assert themes == {("d7", "pawn d5")}


def test_first_exchange_of_pieces() -> None:
    """Bishop takes knight, pawn takes bishop: White's bishop went for Black's knight. Pawns do not count."""
    board = board_after("e4 e5 Nf3 Nc6")
    line = line_of(board, "d4 exd4 Bb5 a6 Bxc6 dxc6 Qxd4 Qxd4 Nxd4")

    assert first_exchange(board, line, chess.WHITE) == {Theme("exchange", "exchange bishop knight")}
    assert first_exchange(board, line, chess.BLACK) == {Theme("exchange", "exchange knight bishop")}
    assert first_exchange(board, line[:5], chess.WHITE) == set()


def test_piece_for_pawn_is_no_exchange() -> None:
    """A knight that is lost for a pawn was not exchanged."""
    board = board_after("e4 e5")

    assert first_exchange(board, line_of(board, "Nf3 Nc6 Nxe5 Nxe5"), chess.WHITE) == set()


def test_what_the_winners_have_in_common() -> None:
    """Castling comes first, then pieces, then pawns; what fewer than three or a fifth did is left out."""
    castles, knight = Theme("castling", "castling short"), Theme("piece", "knight f5", "b1", "f5")
    pawn, rare = Theme("pawn", "pawn d5", "d4", "d5"), Theme("pawn", "pawn a4", "a2", "a4")
    games = [{castles, knight, pawn}, {castles, knight, pawn, rare}, {knight, pawn, rare}, {castles, pawn}]

    assert plan_of(games) == [(castles, 0.75), (knight, 0.75), (pawn, 1.0)]
    assert plan_of([]) == []


def test_two_squares_of_one_piece() -> None:
    """Of a piece that went to many squares the two commonest are told; of a pawn all."""
    squares = ["d5", "d5", "d5", "d5", "f5", "f5", "f5", "f5", "e3", "e3", "e3"]
    games = [
        {Theme("piece", f"knight {to}", "b1", to), Theme("pawn", f"pawn {to}", "d2", to)} for to in squares
    ]

    details = [theme.detail for theme, _ in plan_of(games)]

    assert details == ["knight d5", "knight f5", "pawn d5", "pawn f5", "pawn e3"]


@given(st.data())
def test_every_theme_is_of_a_piece_that_was_there(data: st.DataObject) -> None:
    """In any game a theme begins where one of our men stood, of the kind it names unless it was promoted."""
    board = chess.Board()
    line = []
    for _ in range(data.draw(st.integers(0, 40))):
        if board.is_game_over():
            break
        moves = sorted(board.legal_moves, key=chess.Move.uci)
        line.append(data.draw(st.sampled_from(moves)))
        board.push(line[-1])

    for theme in themes_of(chess.Board(), line):
        if theme.from_square:
            piece = chess.Board().piece_at(chess.parse_square(theme.from_square))
            assert piece is not None
            assert piece.color == chess.WHITE
            assert theme.detail.split()[0] in (
                chess.piece_name(piece.piece_type),
                "queen",
                "rook",
                "bishop",
                "knight",
            )
            assert theme.detail.endswith(theme.to_square)
