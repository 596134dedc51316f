"""The next tweak: which pours to make next and why, what to settle on today, and whether going on pays."""

from labkit.tweaks.beside import compare_settled
from labkit.tweaks.confirmed import Verdict, appraise_confirmation
from labkit.tweaks.confirming import Confirmation, plan_confirmation
from labkit.tweaks.efforts import Efforts, compare_efforts
from labkit.tweaks.outlook import desirability_of
from labkit.tweaks.path import settled_by_round
from labkit.tweaks.result import Tweak
from labkit.tweaks.search import highest
from labkit.tweaks.suggest import suggest_next
from labkit.tweaks.trading import Tradeoffs, tell_tradeoffs

__all__ = ["Confirmation", "Efforts", "Tradeoffs", "Tweak", "Verdict", "appraise_confirmation", "compare_efforts",
           "compare_settled", "desirability_of", "highest", "plan_confirmation", "settled_by_round", "suggest_next",
           "tell_tradeoffs"]
