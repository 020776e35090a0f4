"""Findings in plain sentences."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.finding import words
from miner.reasons import Pattern, Reason
from miner.terms import Kind
from tests.export.examples import first_move, legal, vienna


def test_summary_of_a_tempo() -> None:
    """A coach can read the numbers of a finding out loud."""
    text = words.summary(vienna())

    assert text == (
        "Players rated 1000-1199 chose 3...exf4 in 28 of 80 games (35%; 27 to 44%). Best is 3...d5. "
        "By the engine it costs 0.11 of a point. The knight must go back from f6 to g8. "
        "Those who chose it scored 41% in 28 games, the others there 52% in 52 games."
    )


def test_summary_where_everybody_chose_the_reply() -> None:
    """Where there were no others, nothing is said about them."""
    text = words.summary(legal(observed_with_reply=0.0))

    assert text.endswith("It allows mate in 2. Those who chose it scored 0% in 28 games.")


def test_summary_without_a_detail() -> None:
    """An empty detail leaves no empty sentence behind."""
    text = words.summary(vienna(reason=Reason.POSITION, reason_detail=""))

    assert "of a point. Those who" in text


@pytest.mark.parametrize(
    ("detail", "sentence"),
    [
        ("mate in 2", "It allows mate in 2."),
        ("misses mate in 3", "Black misses mate in 3."),
        ("wins a rook for two pawns", "White wins a rook for two pawns."),
        ("does not win back a pawn", "Black does not win back a pawn."),
        (
            "Black can no longer castle; the king is drawn out to e6",
            "Black can no longer castle; the king is drawn out to e6.",
        ),
        ("the knight must go back from f6 to g8", "The knight must go back from f6 to g8."),
        ("a trap!", "A trap!"),
    ],
)
def test_reasons_are_sentences(detail: str, sentence: str) -> None:
    """It is always said who wins or misses something."""
    assert words.reason_sentence(vienna(reason_detail=detail)) == sentence


def test_pattern() -> None:
    """A pattern is named after the reason; nothing is said where there is none."""
    assert "from f6 to g8. Pattern: trapped piece. Those" in words.summary(
        vienna(pattern=Pattern.TRAPPED_PIECE)
    )
    assert "Pattern" not in words.summary(vienna())


def test_one_game_is_singular() -> None:
    """One game is not games."""
    once = vienna(games_at_position=1, games_with_reply=1, pick_rate=1.0)
    rare = vienna(games_at_position=1234, games_with_reply=1, pick_rate=0.001, pick_rate_low=0.0)

    assert words.often_words(once).startswith("1 of 1 game (100%;")
    assert words.often_words(rare) == "1 of 1,234 games (under 1%; 0 to 44%)"


def test_a_pooled_rate_is_marked() -> None:
    """Where the neighbouring bands move the rate away from the plain share, it is only about so much."""
    assert words.often_words(vienna(pick_rate=0.33)) == (
        "28 of 80 games (by these and by what is usual, 33% are to be expected; 27 to 44%)"
    )


def test_worth() -> None:
    """The lower bound is likely, not certain; of a trap that some find the value is the most."""
    assert words.worth_words(vienna()) == "at most about 0.47 points per 100 games, likely 0.20 or more"
    as_pitfall = vienna(kind=Kind.PITFALL)
    assert words.worth_words(as_pitfall) == "0.47 points per 100 games, likely 0.20 or more"
    assert words.worth_words(vienna(teaching_value_low=0.0024)).endswith("likely 0.002 or more")
    assert words.worth_words(vienna(teaching_value_low=0.0)).endswith("per 100 games, perhaps nothing")


def test_reach_says_who_steers() -> None:
    """A trap comes up as often as told only if its side plays towards it; a pitfall comes up by itself."""
    trap, pitfall = words.shares_words(vienna()), words.shares_words(vienna(kind=Kind.PITFALL))

    assert trap.startswith("comes up in 25% of the games if White plays towards it, is chosen by 35%")
    assert pitfall.startswith("comes up in 1% of the games, is chosen by 35%")


def test_nobody_steers_to_where_it_is_unsound() -> None:
    """There the reach is the plain one, and nothing is said of playing towards it."""
    unsound = vienna(plain_reach=0.012, steered_reach=0.012)

    assert words.shares_words(unsound).startswith("comes up in 1% of the games, is chosen by 35%")
    assert words.arises_sentence(unsound) == "Arises in 1% of the games."


def test_nearly_all_games_are_not_told_to_the_percent() -> None:
    """A band that never met the position after one's own first move counts for nothing in it."""
    steered = vienna(plain_reach=0.1, steered_reach=0.976)

    assert words.shares_words(steered).startswith("comes up in nearly all games if White plays towards it")
    assert words.arises_sentence(steered) == (
        "Arises in 10% of the games, in nearly all if White plays towards it."
    )


def test_no_clear_trend() -> None:
    """What chance could have made is called no change."""
    told = words.trend_sentence(vienna(trend="steady", trend_p=0.4))

    assert told == "No clear change between the last two seasons (p = 0.40)."


def test_a_falling_trend() -> None:
    """A change is told with how likely chance makes it; without two seasons nothing is told."""
    told = words.trend_sentence(vienna(trend="falling", trend_p=0.012))

    assert told == "It was chosen less often in the last season than in the one before (p = 0.012)."
    assert words.trend_sentence(vienna()) == ""


def test_how_often_it_arises() -> None:
    """A trap arises more often if its side plays towards it."""
    told = words.arises_sentence(vienna(plain_reach=0.004))

    assert told == "Arises in under 1% of the games, in 25% if White plays towards it."


def test_model_games() -> None:
    """Their numbers, the best first, or nothing."""
    assert words.models_sentence(vienna()) == "Model games in the store: 12, 7."
    assert words.models_sentence(vienna(model_games=())) == ""


LEAK = {"path_san": "", "wrong": 3, "games": 8, "wrong_san": "fxe5", "best_san": "e5"} | {
    "by_commonest": 2,
    "as_common": 1,
}


def test_where_the_gain_leaks_away() -> None:
    """Right after the losing reply there are no moves to name but that one."""
    told = words.leak_sentence(vienna(), LEAK)

    assert told == "After 3...exf4 3 of 8 kept less, most often by 4.fxe5; better is 4.e5."


def test_no_move_is_the_commonest_where_others_are_as_common() -> None:
    """Nor where it is the only one."""
    alone, tied = (
        words.leak_sentence(vienna(), LEAK | one) for one in ({"by_commonest": 3}, {"as_common": 2})
    )

    assert "3 of 8 kept less, by 4.fxe5;" in alone
    assert "3 of 8 kept less, for instance by 4.fxe5;" in tied


def test_better_than_the_leak_is_what_is_taught() -> None:
    """Right after the reply no other move is called better than the taught one; later on, what was found."""
    leak = LEAK | {"best_san": "d3"}

    at_once, later = (words.leak_sentence(vienna(), leak | {"path_san": path}) for path in ("", "e5 Qe7"))

    assert at_once.endswith("better is 4.e5.")
    assert later.startswith("After 4.e5 Qe7 ")
    assert later.endswith("better is 5.d3.")


@pytest.mark.parametrize("gain", [-0.04, 0.0, 0.004])
def test_no_gain_that_results_show(gain: float) -> None:
    """Where results lean the other way nobody gives or pays a negative part of a point."""
    trap = words.shares_words(vienna(punish_gain=gain))
    pitfall = words.shares_words(first_move(gain_for_band=gain))

    assert trap.endswith("gives who punishes it nothing more that results show")
    assert pitfall.endswith("costs in practice nothing that results show")


def test_familiar_to_all_bands() -> None:
    """Several bands are not called one."""
    told = words.familiar_sentence(vienna(band="all", plain_reach=0.03))

    assert told.startswith("It comes up in 3% of all games")


def test_who_finds_a_good_answer() -> None:
    """One answer is named; of several also who plays the taught one; of many nobody knows the number."""
    one = words.found_sentence(vienna())
    three = words.found_sentence(vienna(answers=("d3", "e5", "Qe2"), find_rate=0.41, taught_games=7))
    many = words.found_sentence(
        vienna(answers=("e5", "d3", "Qe2", "d4", "Qf3", "Nf3"), find_rate=0.41, taught_games=7)
    )

    begin = "Players rated 1000-1199 found"
    expected = "by these and by what is usual, 40% are to be expected; 31 to 49%"
    assert one == f"{begin} 4.e5 in 16 of 39 games by 31 players ({expected})."
    rest = "in 16 of 39 games by 31 players (41%; 31 to 49%), 4.e5 in 7."
    assert three == f"{begin} one of the three good answers {rest}"
    assert many == f"{begin} one of the good answers {rest}"


@pytest.mark.parametrize("changes", [{"find_rate": None, "best_rate": None}, {"answers": ()}])
def test_who_finds_it_is_not_known(changes: dict[str, Any]) -> None:
    """Without a rate, or without answers, nothing is said."""
    assert words.found_sentence(vienna(**changes)) == ""


def test_how_players_really_go_on() -> None:
    """What was played most after the taught answer, in how many games, and what is best then."""
    told = words.usual_sentence(vienna(usual_line=("e5", "Qe7", "Qe2"), usual_games=12, usual_of=20))

    assert told == "After 4.e5 Black played 4...Qe7 in 12 of 20 games of all bands; then 5.Qe2 is best."
    assert words.usual_sentence(vienna()) == ""


def test_two_moves_as_good_do_not_contradict_each_other() -> None:
    """Where the line shown goes on otherwise after the same moves, nothing else is called best."""
    first, second = vienna().refutation[:2]

    told = words.usual_sentence(vienna(usual_line=(first, second, "a3"), usual_games=5, usual_of=6))

    assert told.endswith("in 5 of 6 games of all bands.")


def test_good_answers_in_words() -> None:
    """All with their numbers, the best first."""
    assert words.answers_words(legal(answers=("Bxf7+", "Nxd1"))) == "6.Bxf7+, 6.Nxd1"


def test_plan_in_words() -> None:
    """What the winners did is told as a coach would say it."""
    knight = {"theme": "piece", "detail": "knight f3", "from_square": "g1", "to_square": "f3"}
    trade = {"theme": "exchange", "detail": "exchange bishop knight", "from_square": "", "to_square": ""}
    castles = trade | {"theme": "castling", "detail": "castling short"}

    assert words.plan_words(knight) == "knight from g1 to f3"
    assert words.plan_words(trade) == "exchanges bishop for knight"
    assert words.plan_words(castles) == "castles short"


def test_a_whole_point() -> None:
    """A reply that throws a won game away costs the whole point."""
    assert words.cost_sentence(vienna(loss=0.999)) == "By the engine it costs the whole point."


@pytest.mark.parametrize(
    ("band", "said"),
    [
        ("0-799", "players rated below 800"),
        ("800-999", "players rated 800-999"),
        ("2400+", "players rated 2400 and above"),
        ("unrated", "unrated players"),
    ],
)
def test_bands(band: str, said: str) -> None:
    """A band is said as a coach would say it."""
    assert words.band_words(band) == said


def test_title_without_an_opening() -> None:
    """A finding whose games name no opening is called by its first moves."""
    assert words.title(vienna(opening="")) == "Trap: 1.e4 e5 2.Nc3 Nf6 3.f4"
    assert words.title(legal()) == "Trap: 1.e4 e5 2.Nf3 d6 3.Bc4 Bg4"
    assert words.title(first_move()) == "Pitfall: the first move"


def test_lines_carry_their_numbers() -> None:
    """Reply, refutation and best line are numbered from where they begin."""
    row = legal()

    assert words.path_words(row).endswith("4.Nc3 g6 5.Nxe5")
    assert words.reply_words(row) == "5...Bxd1"
    assert words.refutation_words(row) == "6.Bxf7+ Ke7 7.Nd5#"
    assert words.best_line_words(row) == "5...dxe5 6.Qxg4"
    assert words.path_words(first_move()) == "the start position"
    assert words.refutation_words(first_move()) == "1...d5 2.Bg2 Bxg4"


@given(text=st.text(), longest=st.integers(3, 40))
def test_plain_text_is_one_printable_line(text: str, longest: int) -> None:
    """No control character, line end or surrogate survives, and the length holds."""
    clean = words.plain(text, longest)

    assert clean.isprintable()
    assert len(clean) <= longest
    assert clean == words.plain(clean, longest)
    assert clean == clean.strip()


def test_no_reason_is_no_claim() -> None:
    """Where nothing holds against every defence, the sentence says so, and calls nobody worse."""
    row = vienna(reason=Reason.POSITION, reason_detail="no simple reason")

    assert words.reason_sentence(row) == "No simple reason was found."


def test_scores_have_their_games() -> None:
    """Of those who chose it and of the others; without others nothing is compared."""
    assert words.observed_sentence(vienna()) == (
        "Those who chose it scored 41% in 28 games, the others there 52% in 52 games."
    )
    assert words.observed_sentence(vienna(observed_without_reply=None)) == (
        "Those who chose it scored 41% in 28 games."
    )


def test_shares_make_the_worth_where_few_have_answered() -> None:
    """What the worth was reckoned with is told, though how often this mistake is punished is not known."""
    few = vienna(find_rate=None, steered_reach=0.1, pick_rate=0.3, punish_gain=0.2, teaching_value=0.15)

    assert "is chosen by 30%, is usually not punished by 25%, gives who" in words.shares_words(few)
    assert "usually" not in words.shares_words(vienna())


def test_results_of_few_games_are_not_told() -> None:
    """The score of four games, 80% or none, says nothing of a reply."""
    few = vienna(games_with_reply=words.FEWEST_SCORED - 1, conversion_games=words.FEWEST_SCORED - 1)
    alone = vienna(games_with_reply=28, games_at_position=30)

    assert words.observed_sentence(few) == words.conversion_sentence(few) == ""
    assert words.observed_sentence(alone) == "Those who chose it scored 41% in 28 games."
    assert words.conversion_sentence(vienna()) != ""


def test_gambit_is_no_mistake() -> None:
    """What does well in practice is said to, and has the sign of a doubtful move."""
    gambit = vienna(gambit=True, observed_with_reply=0.61, observed_without_reply=0.54)

    assert gambit.sign == "?!"
    assert words.observed_sentence(gambit).startswith(
        "It does well in practice: those who chose it scored 61%"
    )


def test_band_in_a_line() -> None:
    """How often it errs and how often it finds the answer; nothing of what is not known."""
    assert words.band_line(vienna()) == (
        "1000-1199: 28 of 80 games (35%; 27 to 44%); punished by such players in 16 of 39 games"
    )
    assert words.band_line(vienna(find_rate=None)) == "1000-1199: 28 of 80 games (35%; 27 to 44%)"


def test_games_of_a_prior_are_told_apart() -> None:
    """What is the club's own and what stands behind it is told by every sentence with a count."""
    rare = vienna(
        plain_reach=0.03,
        games_at_position=943,
        games_at_position_elsewhere=931,
        games_with_reply=314,
        games_with_reply_elsewhere=310,
        games_in_all=300,
        pick_rate=0.33,
    )

    assert words.often_words(rare) == "310 of 931 games elsewhere, 4 of 12 here (33%; 27 to 44%)"
    assert words.arises_sentence(rare) == (
        "Arises in 3% of the games, in 25% if White plays towards it "
        "(expected; it came up in 12 of your 300 games)."
    )
    assert words.familiar_sentence(rare).startswith(
        "It comes up in 3% of the band's games (expected; it came up in 12 of your 300 games)"
    )
    assert "in 314 games here and elsewhere" in words.observed_sentence(rare)
    assert "games here and elsewhere by" in words.found_sentence(rare)
    assert words.models_sentence(rare) == "Model games, here or elsewhere: 2."


def test_whether_it_lasted() -> None:
    """What is won, and how many had it a little later; of fewer than five games nothing is told."""
    seen: dict[str, Any] = {"wins_pawns": 3, "lasted_games": 30, "lasted_kept": 19}

    told = words.lasting_sentence(vienna(**seen))

    assert (
        told == "Of 30 who played 4.e5 (all bands) 19 had the material, 3 pawns' worth or more, "
        "nine half-moves later."
    )
    assert "a pawn or more" in words.lasting_sentence(vienna(**seen | {"wins_pawns": 1}))
    assert words.lasting_sentence(vienna(**seen | {"lasted_games": 4})) == ""
    assert told in words.teaching_sentences(vienna(**seen))
