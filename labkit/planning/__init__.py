"""What to pour in the next round: the pours that teach the most for what they cost."""

from labkit.planning.plan import plan_round

__all__ = ["plan_round"]
