"""Which of our moves scores best against a band: an expectimax over the tallied positions."""

from miner.steer.advice import Advice
from miner.steer.advise import advise

__all__ = ["Advice", "advise"]
