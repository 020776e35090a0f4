"""What a finding looks like on a terminal."""

from __future__ import annotations

import re
from dataclasses import replace

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.cli.boards import board_diagram, side_by_side
from miner.cli.show import finding_card, findings_table
from miner.reasons import Pattern
from miner.terms import Kind
from tests.export.examples import first_move, legal, vienna


def without_color(text: str) -> str:
    return re.sub(r"\x1b\[[0-9;]*m", "", text)


def test_letters() -> None:
    """Capitals are White's pieces, dark empty squares carry a dot, and the mover's side is marked."""
    board = chess.Board(vienna().fen)

    drawn = board_diagram(board, marks=[chess.E5, chess.F4], unicode=False)

    assert drawn.splitlines() == [
        "8  r  n  b  q  k  b     r  <",
        "7  p  p  p  p  .  p  p  p",
        "6     .     .     n     .",
        "5  .     .    [p]    .",
        "4     .     .  P [P]    .",
        "3  .     N     .     .",
        "2  P  P  P  P     .  P  P",
        "1  R     B  Q  K  B  N  R",
        "   a  b  c  d  e  f  g  h",
    ]


def test_figurines_from_black() -> None:
    """Seen by Black, h1 is at the top left; the pointer tells that White is to move."""
    drawn = board_diagram(chess.Board(), orientation=chess.BLACK).splitlines()

    assert drawn[0] == "1  ♖  ♘  ♗  ♔  ♕  ♗  ♘  ♖  ◂"
    assert drawn[7] == "8  ♜  ♞  ♝  ♚  ♛  ♝  ♞  ♜"
    assert drawn[8] == "   h  g  f  e  d  c  b  a"


def test_colors_shade_the_dark_squares() -> None:
    """a8 is a light square and b8 a dark one; all pieces have one ink, and each line is closed."""
    drawn = board_diagram(chess.Board(), color=True).splitlines()

    assert drawn[0].startswith("8 \x1b[48;5;231m\x1b[38;5;16m ♜ \x1b[48;5;250m\x1b[38;5;16m ♞ ")
    assert all(line.count("\x1b[48;5;250m") == 4 and "\x1b[0m" in line for line in drawn[:8])
    assert "\x1b" not in drawn[8]


@pytest.mark.parametrize("unicode", [True, False])
@pytest.mark.parametrize("color", [True, False])
@pytest.mark.parametrize("orientation", [chess.WHITE, chess.BLACK])
def test_every_piece_is_on_its_square(orientation: bool, color: bool, unicode: bool) -> None:
    """The board can be read back from the drawing, three columns a square."""
    board = chess.Board(legal().fen)
    symbols = {
        piece.unicode_symbol() if unicode else piece.symbol(): piece for piece in board.piece_map().values()
    }

    lines = without_color(
        board_diagram(board, orientation=orientation, color=color, unicode=unicode)
    ).splitlines()

    files = lines[8].split()
    seen = {
        chess.parse_square(file + line[0]): symbols[line[3 + 3 * at]]
        for line in lines[:8]
        for at, file in enumerate(files)
        if line.ljust(30)[3 + 3 * at] in symbols
    }
    assert seen == board.piece_map()


def test_card_of_a_trap() -> None:
    """All that a coach needs is on the card."""
    card = finding_card(vienna(), rank=2, width=100, unicode=False)

    assert card.splitlines() == [
        "2. Trap: Vienna Gambit (C29)",
        "Black errs (players rated 1000-1199), White profits.",
        "",
        "8  r  n  b  q  k  b     r  <   Moves        1.e4 e5 2.Nc3 Nf6 3.f4",
        "7  p  p  p  p  .  p  p  p      Losing reply 3...exf4",
        "6     .     .     n     .      Best move    3...d5 4.fxe5 Nxe4",
        "5  .     .    [p]    .         Refutation   4.e5 Ng8 5.Nf3",
        "4     .     .  P [P]    .      Why          The knight must go back from f6 to g8. By the engine it",
        "3  .     N     .     .                      costs 0.11 of a point.",
        "2  P  P  P  P     .  P  P      How often    28 of 80 games (35%; 27 to 44%), by 25 players",
        "1  R     B  Q  K  B  N  R      Scores       Those who chose it scored 41% in 28 games, the others",
        "   a  b  c  d  e  f  g  h                   there 52% in 52 games.",
        "                               Found        Players rated 1000-1199 found 4.e5 in 16 of 39 games by",
        "                                            31 players (by these and by what is usual, "
        "40% are to be",
        "                                            expected; 31 to 49%). White scored 58% after the reply",
        "                                            in 26 games; 60% were to be expected.",
        "                               Worth        at most about 0.47 points per 100 games, likely 0.20 or",
        "                                            more",
        "                               Made of      comes up in 25% of the games if White plays towards it,",
        "                                            is chosen by 35%, is not punished by 60% today, gives",
        "                                            who punishes it 0.12 of a point more",
        "                               Familiar     It comes up in 1% of the band's games, 1.3 times for",
        "                                            each player who met it.",
        "                               Models       Model games in the store: 12, 7.",
        "                               Price        If Black plays 3...d5 or a move as good, White expects",
        "                                            0.50 of a point.",
        "                               Engine       An Engine 1, 1,600,000 nodes",
    ]


def test_card_of_a_pitfall_has_no_price() -> None:
    """Nobody sets up his own mistake, so there is nothing to pay for it."""
    assert "Price" not in finding_card(vienna(kind=Kind.PITFALL), rank=1)


def test_card_turns_the_board_to_the_side_that_is_taught() -> None:
    """A pitfall is shown from the side that errs, a trap of Black's from Black's side."""
    pitfall = finding_card(first_move(), rank=1, unicode=False).splitlines()
    trap = finding_card(replace(first_move(), kind=Kind.TRAP), rank=1, unicode=False).splitlines()

    assert pitfall[11].startswith("   a  b  c")
    assert trap[11].startswith("   h  g  f")


def test_card_names_the_pattern() -> None:
    """How the refutation works stands below the reason."""
    card = finding_card(legal(pattern=Pattern.MATING_NET), rank=1, width=100)

    assert "Pattern      mating net\n" in card


def test_card_of_unknown_players() -> None:
    """Where players are not known, nothing is said about how many there were; one is singular."""
    assert (
        "player"
        not in finding_card(
            vienna(players_with_reply=0, band="unrated", find_rate=None, games_per_player=None), rank=1
        ).split("How often")[1]
    )
    assert "by 1 player\n" in finding_card(vienna(players_with_reply=1), rank=1, width=100)


@pytest.mark.parametrize("width", [80, 90, 100])
@pytest.mark.parametrize("color", [True, False])
def test_cards_and_lists_fit(width: int, color: bool) -> None:
    """No line is wider than asked, whatever is colored; East Asian characters take two columns."""
    rows = [legal(opening="開局" * 60), vienna(reason_detail="the queen is lost " * 20), first_move()]

    cards = "\n".join(finding_card(row, rank=1, width=width, color=color) for row in rows)
    listed = findings_table([replace(row, path=row.path * 9) for row in rows], width)

    assert max(map(len, without_color(cards).splitlines())) <= width
    assert max(map(len, listed.splitlines())) <= width
    title = without_color(cards).splitlines()[0]
    assert len(title) + title.count("開") + title.count("局") <= width


def test_list() -> None:
    """Each finding begins with its opening; its numbers and its moves stand below that."""
    row = first_move(pick_rate=0.003, punish_value=None, avoid_value=0.04)

    assert findings_table(
        [vienna(opening="Vienna Gambit: A long name of a variation"), row], 80
    ).splitlines() == [
        " No Opening",
        "    Punish  Avoid Errs  Often  Games Losing reply Reason",
        "  1 Vienna Gambit: A long name of a variation",
        "      0.47   0.03 Black   35%     28 3...exf4     tempo",
        "    1.e4 e5 2.Nc3 Nf6 3.f4 exf4? 4.e5 Ng8 5.Nf3",
        "  2 The first move",
        "             0.04 White   <1%     28 1.g4         tempo",
        "    1.g4? d5 2.Bg2 Bxg4",
    ]


def test_wide_list() -> None:
    """Where all names go in, they stand before the numbers."""
    assert findings_table([vienna(), first_move()], 120).splitlines()[:3] == [
        " No Opening         Punish  Avoid Errs  Often  Games Losing reply Reason",
        "  1 Vienna Gambit     0.47   0.03 Black   35%     28 3...exf4     tempo",
        "    1.e4 e5 2.Nc3 Nf6 3.f4 exf4? 4.e5 Ng8 5.Nf3",
    ]


def test_first_moves_are_never_left_out() -> None:
    """The way to the losing reply stands in full; of what punishes it as much as goes into two lines."""
    assert findings_table([legal()], 70).splitlines()[4:] == [
        "    1.e4 e5 2.Nf3 d6 3.Bc4 Bg4 4.Nc3 g6 5.Nxe5 Bxd1?? 6.Bxf7+ Ke7",
        "    7.Nd5#",
    ]
    assert findings_table([legal()], 40).splitlines()[-2:] == [
        "    1.e4 e5 2.Nf3 d6 3.Bc4 Bg4 4.Nc3 g6",
        "    5.Nxe5 Bxd1?? 6.Bxf7+ Ke7 7.Nd5#",
    ]
    assert findings_table([legal()], 30).splitlines()[-2:] == [
        "    1.e4 e5 2.Nf3 d6 3.Bc4 Bg4",
        "    4.Nc3 g6 5.Nxe5 Bxd1?? ...",
    ]


def test_list_of_some() -> None:
    """Findings picked out of the list keep their places; none at all leave the headings."""
    assert findings_table([legal()], ranks=[17]).splitlines()[2].startswith(" 17 1.e4 e5 2.Nf3 d6")
    assert len(findings_table([]).splitlines()) == 1


@given(text=st.text(st.sampled_from("\x1b[31m\n\r\t\x07\u202e\x9ba")) | st.text())
def test_hostile_text(text: str) -> None:
    """No tag can move the cursor, ring the bell or turn the writing direction."""
    row = vienna(opening=text, eco=text, reason_detail=text, engine=text)

    drawn = finding_card(row, rank=1) + "\n" + findings_table([row])

    assert all(line.isprintable() for line in drawn.split("\n"))


def test_boards_beside_each_other() -> None:
    """Three go on a hundred columns, one on a narrow terminal; what is shorter leaves its room empty."""
    long, short = ["x" * 29] * 3, ["y"]

    assert side_by_side([long, short], 100) == [f"{'x' * 29}  y", "x" * 29, "x" * 29]
    assert side_by_side([short, long], 40) == ["y", "", *long]


def test_list_of_a_club_before_a_prior() -> None:
    """A column more: in how many of the club's own games the position came up."""
    mine = vienna(games_at_position=943, games_at_position_elsewhere=931)

    heading, row, _ = findings_table([mine]).splitlines()
    plain_heading = findings_table([vienna()]).splitlines()[0]

    assert heading.split()[:7] == ["No", "Opening", "Punish", "Avoid", "Errs", "Yours", "Often"]
    assert row[: heading.index("Yours") + 5].endswith(" 12")
    assert "Yours" not in plain_heading
