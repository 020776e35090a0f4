"""Pupils' own games against the findings of a store: what they fall into and punish, and what comes next."""

from miner.pupils.check import Outcome, PupilsCheck, check_games
from miner.pupils.roster import Member, read_roster

__all__ = ["Member", "Outcome", "PupilsCheck", "check_games", "read_roster"]
