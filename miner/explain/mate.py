"""Mate as the reason why a reply loses."""

from __future__ import annotations

from dataclasses import dataclass

from miner.explain.evidence import Evidence


@dataclass(frozen=True, slots=True)
class Mate:
    """The reply allows mate in `moves`; or, if `missed`, it lets slip a mate in `moves` of one's own."""

    moves: int
    missed: bool = False

    @property
    def detail(self) -> str:
        """The reason in words, such as `mate in 2`."""
        return f"misses mate in {self.moves}" if self.missed else f"mate in {self.moves}"


def explain_mate(evidence: Evidence) -> Mate | None:
    """Mate allowed by the reply, where the best move prevents it; else a mate that the reply misses.

    The line counts as well as the score: a line that ends in checkmate is mate. A missed mate is a reason
    only as long as the reply still does not lose anything else, which `explain` decides.
    """
    best, reply = evidence.best.mate, evidence.reply.mate
    allowed = _mate_against(evidence)
    if allowed is not None and (best is None or best > 0):
        return Mate(allowed)
    if best is not None and best > 0 and (reply is None or reply <= 0):
        return Mate(best, missed=True)
    return None


def _mate_against(evidence: Evidence) -> int | None:
    if evidence.reply.mate is not None and evidence.reply.mate <= 0:
        return max(1, -evidence.reply.mate)
    plies = len(evidence.reply_line)
    if plies % 2 == 0 and evidence.after_reply(plies).is_checkmate():
        return plies // 2
    return None
