"""Why a reply loses: pure functions on a board and a line."""

from miner.explain.evidence import Evidence
from miner.explain.explanation import Explanation, Reason, explain

__all__ = ["Evidence", "Explanation", "Reason", "explain"]
