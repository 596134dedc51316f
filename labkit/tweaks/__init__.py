"""The next tweak: which pours to make next and why, what to settle on today, and whether going on pays."""

from labkit.tweaks.beside import compare_settled
from labkit.tweaks.outlook import desirability_of
from labkit.tweaks.result import Tweak
from labkit.tweaks.search import highest
from labkit.tweaks.suggest import suggest_next

__all__ = ["Tweak", "compare_settled", "desirability_of", "highest", "suggest_next"]
