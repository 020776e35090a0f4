"""The few things to teach first: motifs and positions by turns, each with a board and a sentence why."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import chain, zip_longest

from miner.finding.finding import Finding
from miner.finding.mistake import Mistake
from miner.finding.motifs import MotifCount, Motifs
from miner.finding.words import (
    LEAST_TOLD,
    agreeing,
    band_words,
    capital,
    counted,
    numbered_sans,
    opening_words,
    points_words,
    reply_words,
)
from miner.settings import Taught
from miner.terms import Kind, Side

THINGS = 3
KNOWN_FROM = 0.90
"""Share of the band that punishes a mistake, beyond which there is nothing left to teach about it."""
LEAST_WORTH = 0.05
"""Points in 100 games that a topic must be worth to be given an evening's part. Source: common practice, no
source.
"""
WELL_SEEN = 5
"""Games with a mistake from which it is named before all others. Source: common practice, no source."""
_EXAMPLES = 6  # of a motif, of which one is looked for in which the pupils' side punishes
_SHOWN = 3  # half-moves of what punishes it
_NUMBERS = ("No", "One", "Two", "Three")


@dataclass(frozen=True, kw_only=True, slots=True)
class Thing:
    """A motif, by one of its examples, or a position that recurs."""

    mistake: Mistake  # before it the board is shown
    count: MotifCount | None = None  # of the motif; None: the position is the thing

    @classmethod
    def of(cls, count: MotifCount, examples: Sequence[Mistake]) -> Thing | None:
        """A motif by the first of its examples; None: there is none."""
        return cls(mistake=examples[0], count=count) if examples else None

    @property
    def bottom(self) -> Side:
        """The pupils' side."""
        return self.mistake.taught

    @property
    def name(self) -> str:
        """What is taught, e.g. `Motif: double attack` or `Punish 3...exf4 (pin)`."""
        if self.count:
            return f"Motif: {self.count.motif}"
        verb = "Punish" if self.mistake.kind is Kind.TRAP else "Avoid"
        pattern = f" ({self.mistake.pattern})" if self.mistake.pattern else ""
        return f"{verb} {reply_words(self.mistake)}{pattern}"

    @property
    def opening(self) -> str:
        """The opening of the position on the board."""
        return capital(opening_words(self.mistake))

    @property
    def line(self) -> str:
        """The mistake with its sign, and the first moves of what punishes it."""
        sans = [self.mistake.losing_reply + self.mistake.sign, *self.mistake.refutation[:_SHOWN]]
        return numbered_sans(sans, self.mistake.ply)

    @property
    def why(self) -> str:
        """Why it comes first, in one sentence: the counts, then what it is worth in 100 games."""
        if self.count:
            return _why_motif(self.count)
        assert isinstance(self.mistake, Finding)
        return _why_position(self.mistake)


def _why_motif(count: MotifCount) -> str:
    is_told = count.find_rate is not None
    found = f" and found it in {count.found:,} of {counted(count.chances, 'chance')}" if is_told else ""
    fell = f"fell for it in {count.games:,} of {counted(count.games_scanned, 'game')} (each side's)"
    costs = f"{count.costs:.1f} points in 100 games, by the engine"
    return f"{capital(band_words(count.band))} {fell}{found}: {costs}."


def _why_position(finding: Finding) -> str:
    games = counted(finding.games_at_position, "game")
    chose = f"{capital(band_words(finding.band))} chose it in {finding.games_with_reply:,} of {games}"
    worth = f"{points_words(finding.teaching_value)} points in 100 games"
    worth += "" if finding.teaching_value_low >= LEAST_TOLD else ", perhaps nothing"
    if finding.kind is Kind.PITFALL:
        return f"{chose}: it costs {worth}."
    if finding.find_rate is None:
        return f"{chose}: punishing it adds up to {worth}."
    punished = f"it was punished in {finding.found_games:,} of {finding.find_games:,}"
    return f"{chose}, and {punished}: to punish it adds up to {worth}."


def is_worth_teaching(topic: Finding | MotifCount) -> bool:
    """Whether a topic is worth a part of a lesson: enough points, and not what nearly all punish already."""
    if isinstance(topic, MotifCount):
        return topic.costs >= LEAST_WORTH and not (topic.find_rate or 0.0) > KNOWN_FROM
    is_known = topic.kind is Kind.TRAP and (topic.find_rate or 0.0) > KNOWN_FROM
    return topic.teaching_value >= LEAST_WORTH and not is_known and not topic.gambit


def first_things(
    findings: Iterable[Finding],
    motifs: Motifs | None,
    band: str,
    side: Taught = "both",
    most: int = THINGS,
) -> list[Thing]:
    """What to teach first, at most so many things: the motif that costs the band most, the position worth
    most, and so on by turns; where one kind lacks, the other takes its place. No board is shown twice.

    `findings` in the order of their value; `motifs`: None if nothing was scanned. For one `side` a motif is
    shown by an example in which that side punishes, if there is one.
    """
    topics = [one for one in motifs.topics(band) if is_worth_teaching(one)] if motifs else []
    told = [_of_motif(motifs, topic, side) for topic in topics[:most]] if motifs else []
    shown = [one for one in told if one]
    seen = {thing.mistake.reply for thing in shown}
    worth = [one for one in findings if is_worth_teaching(one) and one.reply not in seen]
    return by_turns(shown, [Thing(mistake=one) for one in well_seen(worth)[:most]])[:most]


def well_seen(findings: Sequence[Finding]) -> Sequence[Finding]:
    """Those seen in games enough to be named before all others, in their order; all, if there are none."""
    return [one for one in findings if one.games_with_reply >= WELL_SEEN] or findings


def _of_motif(motifs: Motifs, topic: MotifCount, side: Taught) -> Thing | None:
    examples = motifs.examples(topic, _EXAMPLES)
    own = [one for one in examples if side in ("both", str(one.side))]
    return Thing.of(topic, own or examples)


def by_turns(motifs: Iterable[Thing], positions: Iterable[Thing]) -> list[Thing]:
    """A motif, a position, the next motif and so on; then what is left of either."""
    return list(filter(None, chain.from_iterable(zip_longest(motifs, positions))))


def things_heading(things: Sequence[Thing]) -> str:
    """The heading over some things, e.g. `Three things this week`."""
    return f"{_NUMBERS[len(things)]} {agreeing(len(things), 'thing', 'things')} this week"
