"""Who is looked at again, with more nodes. Decisions only."""

from __future__ import annotations

from dataclasses import dataclass

import chess

from miner.board.homes import goes_home
from miner.board.lines import parse_uci_line
from miner.judge.candidates import Candidate
from miner.judge.verdicts import Verdict
from miner.settings import JudgeSettings

# No settings: who changes one of these raises METHODS["judge"], so that stores are judged again.
USUAL_WORTH = 2.0
"""Points per 100 games (see `Candidate.worth`) at which the settings' `keep` holds as it is."""
LOWEST_BAR, HIGHEST_BAR = 0.5, 1.2
"""How far worth may move the bar, as factors."""


@dataclass(frozen=True, slots=True)
class Look:
    """What one budget showed of a reply: the best move's verdict and the reply's, for the mover."""

    nodes: int  # the budget of each search
    best: Verdict
    reply: Verdict

    @property
    def loss(self) -> float:
        """Expected score (0 to 1) lost against the best move; 0 if the reply is the best move."""
        if self.best.move == self.reply.move:
            return 0.0
        # Two searches differ by noise: a reply may seem better than the best move, and is then no worse.
        return max(0.0, self.best.score.expected - self.reply.score.expected)

    @property
    def sees_mate(self) -> bool:
        """Whether mate stands at the end of one of the lines, and there is something to be lost."""
        return self.loss > 0 and (self.best.score.mate is not None or self.reply.score.mate is not None)


def may_lose_tempo(board: chess.Board, look: Look) -> bool:
    """Whether the reply's line takes a developed piece home by the mover's next two moves."""
    line = parse_uci_line(board, look.reply.pv[:5])
    board = board.copy(stack=False)
    home = []
    for move in line:
        home.append(goes_home(board, move))
        board.push(move)
    return any(home[2::2])


def bar(stage: int, worth: float, settings: JudgeSettings, *, tempo: bool) -> float:
    """Expected score that must be lost at `stage` (from 0) to go on: less if a tempo may be lost.

    And lower for what is worth more: with the fourth root, a reply worth 16 times as much has half the bar,
    so that noise costs few points and the nodes go where they are. Never above the threshold itself.
    """
    threshold = min(settings.tempo_threshold, settings.loss_threshold) if tempo else settings.loss_threshold
    by_worth = min(HIGHEST_BAR, max(LOWEST_BAR, (USUAL_WORTH / worth) ** 0.25)) if worth > 0 else HIGHEST_BAR
    return min(threshold, settings.keeps_from(stage) * threshold * by_worth)


def goes_on(look: Look, stage: int, candidate: Candidate, settings: JudgeSettings, *, tempo: bool) -> bool:
    """Whether a deeper search than that of `stage` (from 0) could still make the candidate a losing reply.

    A candidate whose players score clearly less is looked at a second time whatever the screen says.
    """
    if stage + 1 >= len(settings.nodes):
        return False
    if look.sees_mate or (candidate.promoted and stage == 0):
        return True
    return look.loss >= bar(stage, candidate.worth, settings, tempo=tempo)
