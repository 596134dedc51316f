"""A whole trial played against an invented truth before any wax is melted."""

from labkit.rehearsal.fitted import worlds_of
from labkit.rehearsal.many import Rehearsals, rehearse_many
from labkit.rehearsal.playing import Played, play_round
from labkit.rehearsal.whole import best_possible, rehearse
from labkit.rehearsal.world import World

__all__ = ["Played", "Rehearsals", "World", "best_possible", "play_round", "rehearse", "rehearse_many", "worlds_of"]
