"""Motifs as they are told: which, in what order, with which examples, signs and shares."""

from __future__ import annotations

import pytest

from miner.explain.sign import Sign
from miner.finding.motif_words import (
    costs_sentence,
    failing_line,
    falls_sentence,
    finders_sentence,
    found_words,
    moment_line,
    played_sentence,
    sign_sentence,
)
from miner.finding.motifs import Share, players_in, shares
from tests.finding.moments import (
    HIGH,
    LOW,
    known_motifs,
    moment_row,
    queen_raid,
    scholar,
    table_of,
    told_moment,
)


def test_gain_that_shows_at_once_and_later() -> None:
    """The rook falls two moves on, mate is there at once; without a gain the strike itself counts."""
    assert told_moment(queen_raid()).refutation == ("Qxe5+", "Be7", "Qxh8")
    assert (told_moment(scholar()).shown, told_moment(scholar()).refutation) == (1, ("Qxf7#",))
    quiet = moment_row("e4 e5 Nf3", "h6", "d4", "d6 dxe5 dxe5 Qxd8+ Kxd8", square="d8", wins="")
    assert told_moment(quiet).shown == 5
    assert told_moment(quiet | {"square": "a1"}).shown == 0


def test_pawn_that_is_taken_back_is_no_gain() -> None:
    """Up a pawn for a move, and even at the end of the line: nothing is shown."""
    exchange = moment_row("e4 e5 Nf3", "Nc6", "Nxe5", "Nxe5 d4 Ng6", square="a1")

    assert told_moment(exchange).shown == 0


def test_square_is_seen_by_who_punishes() -> None:
    """Black's queen on h4, where it checks, is White's on h5."""
    row = moment_row("f3 e5", "g4", "Qh4#", pattern="mate in one", square="h5", reason="mate")

    assert (told_moment(row).shown, told_moment(row | {"pv_reply": ["g2g4"]}).shown) == (1, 0)


def test_topics_are_as_fine_as_most_of_their_games() -> None:
    """Six of eight double attacks are by the queen on e5: that is the topic. No part comes twice."""
    rows = [queen_raid(game) for game in range(6)] + [
        queen_raid(game, piece="N", square="c7") for game in (6, 7)
    ]
    rows += [scholar(game) for game in range(10, 15)]
    rows += [queen_raid(game, pattern="gain not taken") for game in range(20, 26)]

    topics = known_motifs(rows).topics(LOW)

    assert {topic.motif for topic in topics} == {"double attack: queen on e5", "mate in one: queen on f7"}
    assert topics[0].costs_low >= topics[1].costs_low


def test_of_few_players_nothing_is_told() -> None:
    """Five of the weak players fell for it, four of the strong: those do not see it listed."""
    rows = [queen_raid(game) for game in range(5)] + [queen_raid(game, band=HIGH) for game in range(5, 9)]

    known = known_motifs(rows)

    assert [topic.games for topic in known.topics(LOW)] == [5]
    assert known.topics(HIGH) == []
    assert found_words(known.topics()[0]) == "found by 100% (9 of 9)"
    few = known_motifs([queen_raid(game, player_other=7) for game in range(5)]).topics(LOW)[0]
    assert (found_words(few), finders_sentence(few)) == ("", "")


def test_sentences_bring_their_counts() -> None:
    """How often, by how many; who finds it; what it costs by both."""
    rows = [queen_raid(game, loss=0.4, found=game < 3) for game in range(10)]
    [topic] = known_motifs(rows).topics(LOW)

    falls = falls_sentence(topic)
    assert falls.startswith("In 10.0 of 100 games, each side's counted (")
    assert falls.endswith("; 10 of 100, 10 players) players rated below 1000 fall for it.")
    assert finders_sentence(topic).startswith(
        "In 10 games players rated below 1000 had such a chance; an answer to the first was found in "
    )
    assert topic.costs == pytest.approx((100 * 10 / 100 + 100 * 7 / 100) * 0.4)
    assert costs_sentence(topic).endswith("together 6.8 points in 100 games.")


def test_shares_need_enough_players() -> None:
    """Openings of five players or more, with their games; a game counts once."""
    rows = [queen_raid(game) for game in range(5)] + [
        queen_raid(5, opening="Other"),
        queen_raid(0, ply=5, player=1),
    ]
    table = table_of(rows)

    assert shares(table, "opening") == [Share("King's Pawn Game", 5, 6)]
    assert players_in(table) == 6
    unknown = [queen_raid(game, player=0) for game in (0, 0, 1)]
    assert players_in(table_of(unknown)) == 2


def test_signs_before_the_mistake() -> None:
    """In each of five examples the queen bears on f7, which only the king guards; of four nothing is told."""
    known = known_motifs([scholar(game) for game in range(5)])
    [topic] = known.topics(LOW)

    signs = known.signs(topic)

    assert {one.sign for one in signs} == {Sign.AIMED, Sign.KING_ALONE, Sign.UNCASTLED}
    assert "only the king guards f7 (5 of 5)" in sign_sentence(topic, signs)
    by_pattern = known.named("mate in one")[LOW]
    told = sign_sentence(by_pattern, signs)
    assert told.startswith("Seen beforehand, in such mistakes of all bands: the piece already bears")
    assert "bears on the square where it strikes (5 of 5)" in told
    later = known_motifs([scholar(game, square="h8") for game in range(5)])
    assert later.signs(later.topics(LOW)[0]) == []


def test_blow_that_comes_too_soon() -> None:
    """3...Qxf2+, guarded, is the look of 4.Qxf7+ for the other side, and fails; without such a one none."""
    fails = moment_row(
        "e4 e5 Nc3 Qf6 d3",
        "Qxf2+",
        "Kxf2",
        pattern="too few defenders",
        piece="K",
        square="f7",
        game=9,
    )
    blows = [scholar(game, pv_reply=["g8f6", "h5f7"]) for game in range(5)]
    known = known_motifs([*blows, fails])

    found = known.too_soon(known.topics(LOW)[0])

    assert found is not None
    assert (found.game, found.losing_reply) == (9, "Qxf2+")
    assert known_motifs(blows).too_soon(known_motifs(blows).topics(LOW)[0]) is None
    by_pattern = known.named("mate in one")[LOW]
    assert known.too_soon(by_pattern) == found
    quiet = moment_row("e4 e5 Nc3", "Qf6", "Nd5", pattern="pin", piece="N", square="d5", game=9)
    assert known_motifs([*blows, quiet]).too_soon(by_pattern) is None  # another piece on another square


def test_moment_in_words() -> None:
    """The mistake, the punishment as far as it shows the gain, and what was played."""
    moment = told_moment(queen_raid(played="b1c3", found=False))

    assert moment_line(moment).startswith("2...g6?? 3.Qxe5+ Be7 4.Qxh8. Better was 2...")
    assert moment_line(moment).endswith("White wins a rook and a pawn.")
    assert failing_line(moment) == f"Black tries it, and it fails: {moment_line(moment)}"
    assert played_sentence(moment) == "In the game 3.Nc3 followed."
    assert played_sentence(told_moment(queen_raid())) == "In the game 3.Qxe5+ followed, which punishes it."
    assert played_sentence(told_moment(queen_raid(played=""))) == ""


def test_examples_in_which_the_blow_comes_at_once_come_first() -> None:
    """Those whose line begins with another move come last, though they are of the band."""
    first = ["b3", "b4", "c3", "c4", "d3", "d4", "f4", "g3", "h3", "h4", "a3", "a4"]
    later = [
        moment_row(f"e4 e5 {move} a6 Qh5", "g6", "Qxe5+", "Be7 Qxh8", game=at, square="h8")
        for at, move in enumerate(first)
    ]
    struck = moment_row("e4 e5 Nc3 a6 Qh5", "g6", "Qxe5+", "Be7 Qxh8", game=40, square="e5", band=HIGH)
    known = known_motifs([*later, struck], 60)
    count = known.named("double attack: queen")[LOW]

    examples = known.examples(count, 3)

    assert [one.is_at_once for one in examples] == [True, False, False]
    assert examples[0].game == 40


def test_examples_are_of_different_games_and_show_it_soon() -> None:
    """What shows its gain soonest comes first; another band's stand in where the own has too few."""
    slow = moment_row("e4 e5 d3 a6 Qh5", "g6", "Qxe5+", "Be7 Qxh8", game=1)
    quick = moment_row("e4 e5 h3 a6 Qh5", "g6", "Qxe5+", "Be7 Qxh8", game=2, wins="a pawn")
    other = moment_row("e4 e5 b3 a6 Qh5", "g6", "Qxe5+", "Be7 Qxh8", game=3, band=HIGH)
    again = moment_row("e4 e5 c3 a6 Qh5", "g6", "Qxe5+", "Be7 Qxh8", game=2, ply=7)
    rows = [slow, quick, other, again, *(queen_raid(game, band=HIGH) for game in range(10, 15))]
    known = known_motifs([*rows, *(slow | {"game": 20 + at, "player": 50 + at} for at in range(4))], 60)
    count = known.named("double attack: queen on e5")[LOW]

    assert [one.game for one in known.examples(count, 2)] == [2, 1]
    of_all = known.examples(count, 20)
    assert len({one.fen for one in of_all}) == len(of_all) == len({one.game for one in of_all}) == 4
