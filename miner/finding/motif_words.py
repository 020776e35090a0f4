"""A motif in plain sentences that a coach can read out. Pure functions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import chess

from miner.explain.motif import Theme
from miner.finding.moment import Moment
from miner.finding.motifs import MotifCount, Share, SignCount
from miner.finding.words import band_words, between, capital, counted, joined, numbered_sans, percent, plain
from miner.reasons import PATTERNS, Pattern

OPENING_LENGTH = 60

_THEMES: Mapping[Theme, str] = {
    Theme.MATE: "One move gives mate.",
    Theme.THREAT_OF_MATE: "A move threatens mate, and what meets it costs something.",
    Theme.PROMOTION: "A pawn gets through to the last rank.",
    Theme.UNSOUND_SACRIFICE: "A piece is given up, and what it brings is not enough.",
    Theme.CHEAPER_ATTACKER: "A piece stands where something that is worth less takes it.",
    Theme.KING_DRIVEN_OUT: "Checks drive the king out into the open.",
    Theme.CASTLING_LOST: "The king can no longer castle.",
    Theme.DRIVEN_HOME: "A piece that was out must go back to where it began.",
    Theme.CHASED: "A piece is attacked move after move and has to run.",
    Theme.GAIN_OF_TIME: "A move attacks something, so that the other side has no time for its own plans.",
    Theme.ATTACK: "A move attacks a piece that cannot well be saved.",
    Theme.PAWN_ATTACK: "A move attacks a pawn that cannot well be guarded.",
    Theme.BREAKS_PAWNS: "An exchange leaves the other side with pawns that cannot guard each other.",
    Theme.EXCHANGE: "Men come off the board, and one side gets less for them.",
    Theme.PAWN_BREAK: "A pawn move opens the centre at the right moment.",
    Theme.MISSED_RECAPTURE: "Something could be taken back, and another move was played.",
    Theme.MISSED_GAIN: "Something could be won, and another move was played.",
    Theme.DEVELOPMENT: "One side has more pieces out than the other.",
    Theme.WEAK_PAWNS: "Pawns are left that no other pawn can guard.",
    Theme.WEAK_SQUARE: "A square is left that no pawn can guard any more.",
    Theme.BARE_KING: "The king has no pawns before it any more.",
    Theme.BISHOPS: "One side keeps both bishops, the other does not.",
    Theme.OUT_OF_PLAY: "A piece stands where it has nothing to do.",
    Theme.SPACE: "One side's pawns leave the other's pieces little room.",
    Theme.POSITION: "The best move would have kept more.",
}


def meaning_words(pattern: str) -> str:
    """What a motif's name means, in a sentence for pupils; empty for a name that is none.

    >>> meaning_words("gain not taken")
    'Something could be won, and another move was played.'
    """
    if pattern in {*Pattern}:
        return PATTERNS[Pattern(pattern)].meaning
    return _THEMES[Theme(pattern)] if pattern in {*Theme} else ""


def falls_words(count: MotifCount) -> str:
    """How often a band falls for a motif.

    The bounds are those of the rate, the counts what they rest on; a game counts for either player, e.g.
    `6.1 of 100 games, each side's counted (3.2 to 9.8; 12 of 197, 11 players)`.
    """
    bounds = f"{count.per_100_low:.1f} to {count.per_100_high:.1f}"
    seen = f"{count.games:,} of {count.games_scanned:,}, {counted(count.players, 'player')}"
    return f"{count.per_100:.1f} of 100 games, each side's counted ({bounds}; {seen})"


def found_words(count: MotifCount) -> str:
    """Who finds what punishes it, e.g. `found by 30% (12 of 40)`; empty: too few players met it."""
    if count.find_rate is None:
        return ""
    return f"found by {percent(count.find_rate)} ({count.found:,} of {count.chances:,})"


def with_found_words(count: MotifCount) -> str:
    """A motif's name, and who finds what punishes it."""
    return ", ".join(filter(None, (count.motif, found_words(count))))


def falls_sentence(count: MotifCount) -> str:
    """How often a band falls for it, and what it rests on."""
    return f"In {falls_words(count)} {band_words(count.band)} fall for it."


def finders_sentence(count: MotifCount) -> str:
    """Who finds an answer, and who the best one; empty: too few players met it."""
    rate, low, high, best = count.find_rate, count.find_rate_low, count.find_rate_high, count.best_rate
    if rate is None or low is None or high is None or best is None:
        return ""
    met = f"In {counted(count.chances, 'game')} {band_words(count.band)} had such a chance"
    return (
        f"{met}; an answer to the first was found in {percent(rate)} ({between(low, high)}), "
        f"the best one in {percent(best)}."
    )


def costs_sentence(count: MotifCount) -> str:
    """What it costs, a time and in 100 games."""
    each = f"It costs {count.gain:.2f} of a point a time, by the engine"
    what = "falling for it" if count.find_rate is None else "falling for it and not finding it"
    return f"{each}; {what} together {count.costs:.1f} points in 100 games."


def share_words(shares: Sequence[Share]) -> str:
    """The first of several shares, each with its games.

    >>> share_words([Share("Italian Game", 12, 40), Share("Petrov", 8, 40)])
    'Italian Game 30% (12 of 40), Petrov 20% (8 of 40)'
    """
    return ", ".join(
        f"{plain(one.name, OPENING_LENGTH)} {percent(one.games / one.of)} ({one.games:,} of {one.of:,})"
        for one in shares
    )


def sign_sentence(count: MotifCount, signs: Sequence[SignCount]) -> str:
    """By what it can be seen coming; empty where nothing shows it often enough.

    Signs are counted by mistakes, of which a game can have several, and of all bands.
    """
    if not signs:
        return ""
    piece = chess.piece_name(chess.PIECE_SYMBOLS.index(count.piece.lower())) if count.piece else "piece"
    names = {"piece": piece, "square": count.square or "the square where it strikes"}
    told = [f"{one.sign.format(**names)} ({one.times:,} of {one.of:,})" for one in signs]
    return f"Seen beforehand, in such mistakes of all bands: {', '.join(told)}."


def wins_sentence(moment: Moment) -> str:
    """The material that the punishment wins, and whose it is then; empty: none."""
    return f"{moment.side.capitalize()} wins {moment.wins}." if moment.wins and moment.wins != "mate" else ""


def moment_line(moment: Moment) -> str:
    """The mistake, its punishment and the better move, numbered."""
    happened = numbered_sans([moment.losing_reply + moment.sign, *moment.refutation], moment.ply)
    better = numbered_sans([moment.best_move], moment.ply)
    return joined(f"{happened}. Better was {better}.", wins_sentence(moment))


def failing_line(moment: Moment) -> str:
    """A motif's blow where it is itself the mistake: who tries it, then as `moment_line`."""
    return f"{moment.mover.capitalize()} tries it, and it fails: {moment_line(moment)}"


def played_sentence(moment: Moment) -> str:
    """What was answered in the game; empty: it is not known."""
    if not moment.played:
        return ""
    answer = numbered_sans([moment.played], moment.ply + 1)
    return f"In the game {answer} followed{', which punishes it' if moment.found else ''}."


def through_sentence(games: int, shares: Sequence[Share]) -> str:
    """Which motifs are met after a position, of so many scanned games; empty: none that enough players met.

    >>> through_sentence(40, [Share("pin", 6, 40)])
    'Of 40 scanned games through it: pin in 6 (15%).'
    """
    if not shares:
        return ""
    told = ", ".join(f"{one.name} in {one.games:,} ({percent(one.games / one.of)})" for one in shares)
    return f"Of {counted(games, 'scanned game')} through it: {told}."


def motif_title(count: MotifCount) -> str:
    """The motif's name as a heading."""
    return capital(count.motif)
