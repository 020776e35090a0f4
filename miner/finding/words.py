"""A finding in plain sentences that a coach can read out. Pure functions."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from miner.explain.explanation import NO_SIMPLE_REASON
from miner.finding.finding import Finding
from miner.finding.mistake import Mistake
from miner.terms import ALL_BANDS, UNRATED, Kind

TITLE_PLIES = 6
MANY_ANSWERS = 6
"""Good answers from which there may be more that nobody has looked for."""
_NUMBERS = {2: "two ", 3: "three ", 4: "four ", 5: "five "}
FEWEST_LASTED = 5
"""Games in which a mistake was punished below which nobody is told what was left of it."""
FEWEST_SCORED = 5
"""Games of which a share of the points is told: that of fewer says nothing."""
NEARLY_ALL = 0.95  # share from which it is not told to the percent
RAREST = 0.005  # a share up to here would be rounded to nothing


def plain(text: str, longest: int | None = None) -> str:
    r"""Text that came from outside, on one line, of printable characters only, cut to `longest` characters.

    Line ends, control characters and those that turn the writing direction become single spaces.

    >>> plain("Ruy\tLopez\x1b[31m")
    'Ruy Lopez [31m'
    """
    clean = " ".join("".join(char if char.isprintable() else " " for char in text).split())
    if longest is None or len(clean) <= longest:
        return clean
    return clean[: longest - 3].rstrip() + "..."


def capital(text: str) -> str:
    """Text whose first letter is a capital."""
    return text[:1].upper() + text[1:]


def joined(*sentences: str) -> str:
    """Sentences one after the other, those that are empty left out.

    >>> joined("One.", "", "Two.")
    'One. Two.'
    """
    return " ".join(sentence for sentence in sentences if sentence)


def numbered_sans(sans: Sequence[str], ply: int = 0) -> str:
    """Moves with their numbers, the first of them made at `ply`.

    >>> numbered_sans(["exf4", "e5", "Ng8"], ply=5)
    '3...exf4 4.e5 Ng8'
    """
    parts = [f"{at // 2 + 1}.{san}" if at % 2 == 0 else san for at, san in enumerate(sans, start=ply)]
    if parts and ply % 2:
        parts[0] = f"{ply // 2 + 1}...{parts[0]}"
    return " ".join(parts)


def path_words(finding: Mistake) -> str:
    """The moves to the position, numbered; `the start position` if there are none."""
    return numbered_sans(finding.path) or "the start position"


def reply_words(finding: Mistake) -> str:
    """The losing reply with its number, e.g. 3...exf4."""
    return numbered_sans([finding.losing_reply], finding.ply)


def best_words(finding: Mistake) -> str:
    """The best move with its number, e.g. 3...d5."""
    return numbered_sans([finding.best_move], finding.ply)


def refutation_words(finding: Mistake, most: int | None = None) -> str:
    """The line that punishes the losing reply, or its first moves, numbered; empty if there is none."""
    return numbered_sans(finding.refutation[:most], finding.ply + 1)


def best_line_words(finding: Mistake) -> str:
    """The best move and what follows it, numbered."""
    return numbered_sans(finding.better, finding.ply)


def own_opening(finding: Mistake, longest: int = 60) -> str:
    """The name of the position's opening; empty where it has none of its own yet."""
    return plain(finding.opening, longest)


def own_eco(finding: Mistake, longest: int = 8) -> str:
    """The ECO code of the position's opening, or empty likewise."""
    return plain(finding.eco, longest)


def opening_words(finding: Mistake) -> str:
    """The opening, or the first moves where it has no name, e.g. `1.e4 e5 2.Nc3 Nf6`."""
    unnamed = "an opening without a name" if finding.ply else "the first move"
    return own_opening(finding) or numbered_sans(finding.path[:TITLE_PLIES]) or unnamed


def title(finding: Mistake, longest: int = 90) -> str:
    """The finding's name, e.g. `Trap: Vienna Game`."""
    return plain(f"{finding.what}: {opening_words(finding)}", longest)


def band_words(band: str) -> str:
    """Who is in a rating band.

    >>> band_words("0-799"), band_words("1000-1199"), band_words("2400+")
    ('players rated below 800', 'players rated 1000-1199', 'players rated 2400 and above')
    """
    if band == UNRATED:
        return "unrated players"
    if band == ALL_BANDS:
        return "players of all bands"
    if ", " in band:
        return " and ".join(band_words(part) for part in band.split(", "))
    if lowest := re.fullmatch(r"0-(\d+)", band):
        return f"players rated below {int(lowest[1]) + 1}"
    if highest := re.fullmatch(r"(\d+)\+", band):
        return f"players rated {highest[1]} and above"
    return f"players rated {band}"


def percent(share: float) -> str:
    """A share (0 to 1) as a coach says it.

    >>> percent(0.354), percent(0.004), percent(0.0)
    ('35%', 'under 1%', '0%')
    """
    return "under 1%" if 0 < share <= RAREST else f"{share:.0%}"


def between(low: float, high: float) -> str:
    """The bounds of a share.

    >>> between(0.268, 0.441), between(0.0005, 0.0042)
    ('27 to 44%', 'at most 0.4%')
    """
    if high < RAREST:
        return f"at most {max(high, 0.001):.1%}"
    return f"{low:.0%} to {high:.0%}".replace("%", "", 1)


def counted(number: int, name: str, several: str = "") -> str:
    """So many of what has a name; `several` where its plural has more than an s.

    >>> counted(1, "game"), counted(1234, "game"), counted(2, "reply", "replies")
    ('1 game', '1,234 games', '2 replies')
    """
    return f"{number:,} {agreeing(number, name, several or f'{name}s')}"


def agreeing(number: int, one: str, several: str) -> str:
    """The form of a word that goes with so many.

    >>> agreeing(1, "has", "have"), agreeing(0, "has", "have")
    ('has', 'have')
    """
    return one if number == 1 else several


def often_words(finding: Finding) -> str:
    """Games with the losing reply, pick rate and its interval, e.g. `28 of 80 games (35%; 27 to 44%)`.

    The rate of a single band leans towards those beside it, that of several to what replies of as few games
    turn out to be; where that shows it is told apart from the count.
    Games of a prior are told apart, too, e.g. `310 of 931 games elsewhere, 4 of 12 here (33%; 31 to 36%)`.
    """
    chosen, games = finding.games_with_reply, finding.games_at_position
    rate = percent(finding.pick_rate)
    bounds = between(finding.pick_rate_low, finding.pick_rate_high)
    if finding.rests_on_others:
        others, there = finding.games_with_reply_elsewhere, finding.games_at_position_elsewhere
        here = f"{chosen - others:,} of {finding.own_games_at_position:,} here"
        return f"{others:,} of {counted(there, 'game')} elsewhere, {here} ({rate}; {bounds})"
    counts = f"{chosen:,} of {counted(games, 'game')}"
    if rate in {percent(chosen / games), percent(RAREST)}:
        return f"{counts} ({rate}; {bounds})"
    return f"{counts} (by these and by what is usual, {rate} are to be expected; {bounds})"


def summary(finding: Finding) -> str:
    """How often the reply is chosen, what is better, what it costs and why: three to six sentences."""
    return joined(
        chosen_sentence(finding),
        f"Best is {best_words(finding)}.",
        cost_sentence(finding),
        because_sentences(finding),
        observed_sentence(finding),
    )


def chosen_sentence(finding: Finding) -> str:
    """Who chose the losing reply, and how often."""
    return f"{capital(band_words(finding.band))} chose {reply_words(finding)} in {often_words(finding)}."


def arises_sentence(finding: Finding) -> str:
    """How often the position arises, by itself and when the side that profits plays towards it."""
    steered = finding.steered_reach
    often = "nearly all" if _is_nearly_all(steered) else percent(steered)
    towards = f", in {often} {_towards(finding)}" if can_steer(finding) else ""
    return f"Arises in {percent(finding.plain_reach)} of the games{towards}{_own_words(finding)}."


def can_steer(finding: Finding) -> bool:
    """Whether a trap arises more often if its side plays towards it: not where that would be unsound."""
    rare, steered = percent(finding.plain_reach), percent(finding.steered_reach)
    return finding.kind is Kind.TRAP and steered != rare


def _towards(finding: Finding) -> str:
    return f"if {finding.side.capitalize()} plays towards it"


def _own_words(finding: Finding) -> str:
    """What is known of the store's own games where most others are a prior's; else empty.

    Reach is then what is to be expected of them, which need not be what they happened to show.
    """
    if not finding.rests_on_others:
        return ""
    games = counted(finding.games_in_all, "game")
    return f" (expected; it came up in {finding.own_games_at_position:,} of your {games})"


def seen_words(finding: Finding, games: int) -> str:
    """So many games, of the store or of its prior."""
    return counted(games, "game") + (" here and elsewhere" if finding.rests_on_others else "")


def cost_sentence(finding: Mistake) -> str:
    """The cost of the losing reply to the side that errs, in points per game, by the engine."""
    cost = "the whole point" if finding.loss >= 0.995 else f"{finding.loss:.2f} of a point"
    return f"By the engine it costs {cost}."


def reason_sentence(finding: Mistake) -> str:
    """Why the reply loses, as a sentence; empty where no more is known than the reason's name."""
    detail = plain(finding.reason_detail)
    if not detail:
        return ""
    profits, errs = finding.side.capitalize(), finding.mover.capitalize()
    if detail == NO_SIMPLE_REASON:
        return "No simple reason was found."
    begins = {"wins": f"{profits} ", "mate": "It allows "} | dict.fromkeys(
        ("misses", "does", "lets", "gives", "brings", "shuts", "moves", "takes", "leaves", "advances"),
        f"{errs} ",
    )
    sentence = capital(begins.get(detail.split()[0], "") + detail)
    return sentence if detail.endswith((".", "!", "?")) else f"{sentence}."


def pattern_sentence(finding: Mistake) -> str:
    """How the refutation works, e.g. `Pattern: double attack.`; empty if it follows no pattern."""
    return f"Pattern: {finding.pattern}." if finding.pattern else ""


def because_sentences(finding: Mistake) -> str:
    """Why the reply loses, and how the refutation works, as far as either is known."""
    return joined(reason_sentence(finding), pattern_sentence(finding))


def band_line(finding: Finding) -> str:
    """How often a band chooses the reply, and how often it punishes it, e.g. `1000-1199: 28 of 80 games ...`.

    These are other games: there the band's players were on the other side.
    """
    found = finding.find_rate
    if found is None:
        return f"{finding.band}: {often_words(finding)}"
    seen = f"{finding.found_games:,} of {counted(finding.find_games, 'game')}"
    return f"{finding.band}: {often_words(finding)}; punished by such players in {seen}"


def price_sentence(finding: Mistake) -> str:
    """The price of setting a trap: its side's expectation if the opponent finds the best move; else empty."""
    if finding.kind is not Kind.TRAP:
        return ""
    errs, profits = finding.mover.capitalize(), finding.side.capitalize()
    left = 1.0 - finding.exp_best
    well = f"{best_words(finding)} or a move as good"
    return f"If {errs} plays {well}, {profits} expects {left:.2f} of a point."


def observed_sentence(finding: Finding) -> str:
    """The score of those who chose the reply, and of the others there, with their games; empty for few."""
    others = finding.observed_without_reply
    chosen, rest = finding.games_with_reply, finding.games_at_position - finding.games_with_reply
    if chosen < FEWEST_SCORED:
        return ""
    against = ""
    if others is not None and rest >= FEWEST_SCORED:
        against = f", the others there {percent(others)} in {counted(rest, 'game')}"
    seen = f"scored {percent(finding.observed_with_reply)} in {seen_words(finding, chosen)}{against}"
    if finding.gambit:
        return f"It does well in practice: those who chose it {seen}."
    return f"Those who chose it {seen}."


def worth_words(finding: Finding) -> str:
    """The value of teaching it, e.g. `0.42 points per 100 games, likely 0.20 or more`.

    Of a trap it is told as the most, since who finds it may be the better player.
    """
    points, low = points_words(finding.teaching_value), points_words(finding.teaching_value_low)
    least = "perhaps nothing" if finding.teaching_value_low < LEAST_TOLD else f"likely {low} or more"
    most = "at most about " if finding.kind is Kind.TRAP else ""
    return f"{most}{points} points per 100 games, {least}"


LEAST_TOLD = 0.0005
"""Points below which three decimals leave nothing."""


def points_words(points: float) -> str:
    """Points with two decimals, or three where two would leave nothing; 0 for what is worth none, or less.

    >>> points_words(0.468), points_words(0.0024), points_words(-0.002)
    ('0.47', '0.002', '0')
    """
    if points < LEAST_TOLD:
        return "0"
    return f"{points:.2f}" if points >= 0.01 else f"{points:.3f}"


def shares_words(finding: Finding) -> str:
    """The shares that make its value, e.g. `comes up in 5% of the games, is chosen by 35% ...`."""
    reach = _of_the_games(finding.plain_reach)
    if can_steer(finding):
        reach = f"{_of_the_games(finding.steered_reach)} {_towards(finding)}"
    parts = [f"comes up in {reach}", f"is chosen by {percent(finding.pick_rate)}"]
    if finding.kind is Kind.PITFALL:
        return ", ".join([*parts, f"costs in practice {_of_a_point(finding.gain_for_band)}"])
    if finding.find_rate is not None:
        parts.append(f"is not punished by {percent(1.0 - finding.find_rate)} today")
    elif (points := 100.0 * finding.steered_reach * finding.pick_rate * finding.punish_gain) > 0.0:
        # Too few have answered it to be told of; what its worth was reckoned with is what is usual.
        parts.append(f"is usually not punished by {percent(min(1.0, finding.teaching_value / points))}")
    return ", ".join([*parts, f"gives who punishes it {_of_a_point(finding.punish_gain, more=' more')}"])


def _of_the_games(share: float) -> str:
    return "nearly all games" if _is_nearly_all(share) else f"{percent(share)} of the games"


def _is_nearly_all(share: float) -> bool:
    """Whether a share is not told to the percent: bands that have no game there count for nothing in it."""
    return NEARLY_ALL <= share < 1.0 - RAREST


_LEAST_GAIN = 0.005
"""Part of a point below which two decimals leave nothing."""


def _of_a_point(gain: float, more: str = "") -> str:
    """What results show of a gain or loss: where they lean the other way, they show none."""
    return f"{gain:.2f} of a point{more}" if gain >= _LEAST_GAIN else f"nothing{more} that results show"


def found_sentence(finding: Finding) -> str:
    """Who plays a good answer today, and who the taught one; empty where it is not known."""
    rate, low, high, best = (
        finding.find_rate,
        finding.find_rate_low,
        finding.find_rate_high,
        finding.best_rate,
    )
    if rate is None or low is None or high is None or best is None or not finding.answers:
        return ""
    taught, number = refutation_words(finding, 1), len(finding.answers)
    who, games = capital(band_words(finding.band)), seen_words(finding, finding.find_games)
    seen = f"in {finding.found_games:,} of {games} by {counted(finding.find_players, 'player')}"
    expected = f"{percent(rate)}; {between(low, high)}"
    if percent(rate) != percent(finding.found_games / finding.find_games):
        expected = f"by these and by what is usual, {percent(rate)} are to be expected; {between(low, high)}"
    if number == 1:
        return f"{who} found {taught} {seen} ({expected})."
    one = f"one of the {_NUMBERS.get(number, '')}good answers"
    return f"{who} found {one} {seen} ({expected}), {taught} in {finding.taught_games:,}."


def answers_words(finding: Mistake) -> str:
    """The good answers, numbered, the best first, e.g. `3.Nxe5, 3.d4`; empty where they are not known."""
    return ", ".join(numbered_sans([san], finding.ply + 1) for san in finding.answers)


def usual_sentence(finding: Mistake) -> str:
    """How those who erred usually go on after the taught answer, and what is best then; else empty.

    Of two moves as good the line shown may have the one and this the other: then what is best is not told.
    """
    if not finding.usual_line:
        return ""
    taught, defence, then = (
        numbered_sans([san], finding.ply + at) for at, san in enumerate(finding.usual_line, start=1)
    )
    often = f"{finding.usual_games:,} of {counted(finding.usual_of, 'game')} of all bands"
    begin = f"After {taught} {finding.mover.capitalize()} played {defence} in {often}"
    shown, usual = finding.refutation[:3], finding.usual_line
    differs = shown[:2] == usual[:2] and shown[2:] != usual[2:]
    return f"{begin}." if differs else f"{begin}; then {then} is best."


def conversion_sentence(finding: Finding) -> str:
    """The score of the side that profits, against the expected one; empty where unknown or of few."""
    observed, expected = finding.conversion_observed, finding.conversion_expected
    if observed is None or expected is None or finding.conversion_games < FEWEST_SCORED:
        return ""
    seen = f"scored {percent(observed)} after the reply in {seen_words(finding, finding.conversion_games)}"
    return f"{finding.side.capitalize()} {seen}; {percent(expected)} were to be expected."


def lasting_sentence(finding: Finding) -> str:
    """How many of those who played the taught answer still had what it wins; empty where few were seen.

    That is nine plies after the reply, or where the game ended before.
    """
    if finding.lasted_games < FEWEST_LASTED:
        return ""
    pawns = finding.wins_pawns
    least = "a pawn or more" if pawns == 1 else f"{pawns} pawns' worth or more"
    taught, kept = refutation_words(finding, 1), f"{finding.lasted_kept:,}"
    who = f"Of {finding.lasted_games:,} who played {taught} (all bands)"
    return f"{who} {kept} had the material, {least}, nine half-moves later."


def teaching_sentences(finding: Finding) -> str:
    """Why it is worth teaching: value, shares, who finds the punishment, the score then, models, trend."""
    return joined(
        worth_sentence(finding),
        found_sentence(finding),
        conversion_sentence(finding),
        lasting_sentence(finding),
        models_sentence(finding),
        trend_sentence(finding),
    )


def worth_sentence(finding: Finding) -> str:
    """The value of teaching it, and the shares that make it."""
    return f"Teaching it is worth {worth_words(finding)}: it {shares_words(finding)}."


def models_sentence(finding: Finding) -> str:
    """Which games of the store show how it is done; empty if there are none. A prior's have other numbers."""
    if finding.rests_on_others and finding.model_games:
        return f"Model games, here or elsewhere: {len(finding.model_games)}."
    games = ", ".join(map(str, finding.model_games))
    return f"Model games in the store: {games}." if games else ""


def familiar_sentence(finding: Finding) -> str:
    """How well the band knows the position."""
    whose = "all games" if finding.band == ALL_BANDS else "the band's games"
    often = f"It comes up in {percent(finding.plain_reach)} of {whose}{_own_words(finding)}"
    each = finding.games_per_player
    return f"{often}." if each is None else f"{often}, {each:.1f} times for each player who met it."


def leak_sentence(finding: Finding, leak: Mapping[Any, Any]) -> str:
    """Where the gain leaks away: `leak` is a row of `aftermath.leaks` about the finding's reply.

    At once after the reply, better is the answer that is taught: a shallower look may have found another.
    """
    path = leak["path_san"].split()
    way = numbered_sans(path, finding.ply + 1) or reply_words(finding)
    better = leak["best_san"] if path else finding.refutation[0]
    wrong, best = (numbered_sans([san], finding.ply + 1 + len(path)) for san in (leak["wrong_san"], better))
    often = f"{leak['wrong']:,} of {leak['games']:,} kept less"
    how = "most often by" if leak["by_commonest"] < leak["wrong"] else "by"
    how = how if leak["as_common"] == 1 else "for instance by"
    return f"After {way} {often}, {how} {wrong}; better is {best}."


def plan_words(row: Mapping[str, Any]) -> str:
    """The subject of a row of PLANS, e.g. `knight from g1 to f3` or `exchanges queen for queen`."""
    detail = plain(row["detail"])
    if row["theme"] == "castling":
        return detail.replace("castling", "castles")
    if row["theme"] == "exchange":
        return " for ".join(detail.replace("exchange", "exchanges", 1).rsplit(" ", 1))
    man = detail.partition(" ")[0]
    way = f"from {row['from_square']} to" if row["from_square"] and row["theme"] == "piece" else "to"
    return f"{man} {way} {row['to_square']}" if row["to_square"] else detail


def trend_sentence(finding: Finding) -> str:
    """Whether the mistake goes out of fashion; empty where two seasons cannot be compared."""
    if not finding.trend:
        return ""
    if finding.trend == "steady":
        return f"No clear change between the last two seasons (p = {finding.trend_p:.2f})."
    more = "less" if finding.trend == "falling" else "more"
    chosen = f"It was chosen {more} often in the last season than in the one before"
    return f"{chosen} (p = {finding.trend_p:.3f})."
