"""How often positions arise when our own moves are not free: only sound ones, or those of a repertoire."""

from miner.reach.repertoire import Repertoire, read_repertoire
from miner.reach.sound import sound_reach
from miner.reach.within import not_covered, reach_in_repertoire

__all__ = ["Repertoire", "not_covered", "reach_in_repertoire", "read_repertoire", "sound_reach"]
