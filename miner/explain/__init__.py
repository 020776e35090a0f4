"""Why a reply loses: pure functions on a board and a line."""

from miner.explain.evidence import Evidence
from miner.explain.explanation import Explanation, explain
from miner.explain.king import KingExposed, explain_king
from miner.explain.mate import Mate, explain_mate
from miner.explain.material import Cost, MaterialLost, explain_material
from miner.explain.pattern import find_pattern
from miner.explain.tempo import TempoLost, explain_tempo
from miner.reasons import Pattern, Reason

__all__ = [
    "Cost",
    "Evidence",
    "Explanation",
    "KingExposed",
    "Mate",
    "MaterialLost",
    "Pattern",
    "Reason",
    "TempoLost",
    "explain",
    "explain_king",
    "explain_mate",
    "explain_material",
    "explain_tempo",
    "find_pattern",
]
