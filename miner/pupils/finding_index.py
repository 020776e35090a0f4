"""The findings of a store, looked up by where pupils' games meet them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from miner.board.moves import pack
from miner.finding.finding import Finding, Reply, findings_of
from miner.store import Store
from miner.terms import UNRATED, BandScheme

ENOUGH_KEPT = 0.5
"""Share of the gain that an answer must keep to have punished, where the stage `follow` says nothing else."""


@dataclass(frozen=True, slots=True)
class Kept:
    """The part of the gain that an answer keeps, and how that is known."""

    share: float | None  # 1 all of it, 0 or less nothing; None: not known
    is_enough: bool
    basis: str  # followed, or refutation where only the best answer is known


@dataclass(frozen=True, kw_only=True, slots=True)
class FindingIndex:
    """The findings of a store by losing reply, and how much of the gain each answer keeps."""

    scheme: BandScheme
    confidence: float
    rows: Mapping[tuple[int, int, str], Sequence[Finding]]  # by key, move and kind; in the order of the list
    losing: Mapping[tuple[int, str], Sequence[int]]  # losing replies, rising, by key and kind
    kept: Mapping[tuple[int, int, int], float]  # by key, move and answer; empty if nothing was followed
    enough: float
    refutations: Mapping[Reply, int]  # the best answer, packed

    @classmethod
    def of(cls, store: Store) -> FindingIndex:
        """Raises StoreError if nothing was ranked yet."""
        store.require("rank")
        tally, follow = store.require("tally").settings, store.manifest("follow")
        rows: dict[tuple[int, int, str], list[Finding]] = {}
        refutations: dict[Reply, int] = {}
        for finding in findings_of(store.read_table("findings")):
            rows.setdefault((*finding.reply, finding.kind), []).append(finding)
            if finding.refutation:
                refutations[finding.reply] = pack(finding.board_after.parse_san(finding.refutation[0]))
        losing: dict[tuple[int, str], list[int]] = {}
        for key, move, kind in sorted(rows):
            losing.setdefault((key, kind), []).append(move)
        return cls(
            scheme=store.bands,
            confidence=tally.get("confidence", 0.9),
            rows=rows,
            losing=losing,
            kept=_kept_shares(store) if follow and store.path("followed").exists() else {},
            enough=follow.settings.get("kept", ENOUGH_KEPT) if follow else ENOUGH_KEPT,
            refutations=refutations,
        )

    @property
    def keys(self) -> set[int]:
        """The positions in which something is known to be a mistake."""
        return {key for key, _, _ in self.rows}

    @property
    def sides(self) -> set[str]:
        """The sides of the pupils for whom the findings were made."""
        return {str(finding.taught) for findings in self.rows.values() for finding in findings}

    def losing_at(self, key: int, kind: str) -> Sequence[int]:
        """The losing replies in a position, packed."""
        return self.losing.get((key, kind), ())

    def finding(self, key: int, move: int, kind: str, rating: int) -> Finding:
        """The row of the band that is nearest to a rating; for the unrated, theirs, or else the first."""
        rows = self.rows[key, move, kind]
        names = self.scheme.names
        if rating <= 0:
            return next((row for row in rows if row.band == UNRATED), rows[0])
        rated = [row for row in rows if row.band != UNRATED] or list(rows)
        own = names.index(self.scheme.name_of(rating))
        return min(rated, key=lambda row: (abs(names.index(row.band) - own), names.index(row.band)))

    def answered(self, key: int, move: int, answer: int) -> Kept:
        """How good an answer to a losing reply is."""
        share = self.kept.get((key, move, answer))
        if share is not None:
            return Kept(share, share > self.enough, "followed")
        is_best = answer == self.refutations.get((key, move))
        return Kept(1.0 if is_best else None, is_best, "refutation")


def _kept_shares(store: Store) -> dict[tuple[int, int, int], float]:
    columns = ["key", "move", "answer", "plies", "kept"]
    return {
        (row["key"], row["move"], row["answer"]): row["kept"]
        for row in store.read_table("followed", columns).to_pylist()
        if row["plies"] == 0 and row["kept"] is not None
    }
