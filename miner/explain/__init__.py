"""Why a reply loses: pure functions on a board and a line."""

from miner.explain.evidence import Evidence
from miner.explain.explanation import Explanation, Reason, explain
from miner.explain.pattern import Pattern

__all__ = [
    "Evidence",
    "Explanation",
    "Pattern",
    "Reason",
    "explain",
]
