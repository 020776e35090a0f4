"""Why a reply loses: pure functions on a board and a line."""

from miner.explain.evidence import Evidence
from miner.explain.explanation import Explanation, explain
from miner.reasons import Pattern, Reason

__all__ = [
    "Evidence",
    "Explanation",
    "Pattern",
    "Reason",
    "explain",
]
