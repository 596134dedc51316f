"""What to pour in the next round: the pours that teach the most for what they cost."""

from labkit.planning.beforehand import appraise_round, standard_error_at
from labkit.planning.given import check_round, round_of
from labkit.planning.plan import plan_round

__all__ = ["appraise_round", "check_round", "plan_round", "round_of", "standard_error_at"]
