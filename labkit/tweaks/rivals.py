"""The formula in question beside others that are known: how good each is expected to be, and whether one is better."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from labkit.tweaks.outlook import LEAD, SAME
from labkit.tweaks.standing import Standing

SURE = 0.75            # chance of being better with which another is preferred to one that did what was expected


@dataclass(frozen=True, kw_only=True, eq=False)
class Rivals:
    """The formula beside others that are known. formula : its desirability with all scores, mean, low, high (90 %).

    others : by name, the mean of each known one; chances : by name, the chance that it is better than the formula.
    """

    formula: pd.Series
    others: pd.Series
    chances: pd.Series

    @property
    def better(self) -> str:
        """The known formula that is expected to be the best and better than the formula; empty where none is."""
        return str(self.others.idxmax()) if self._lead > 0 else ""

    @property
    def clearly(self) -> bool:
        """Whether it is better by more than LEAD, and with a chance of SURE."""
        return self.apart and self.chance >= SURE

    @property
    def apart(self) -> bool:
        """Whether it is expected to be better by more than LEAD."""
        return self._lead >= LEAD

    @property
    def chance(self) -> float:
        """The chance that it is better; nan where there is none."""
        return float(self.chances[self.better]) if self.better else float("nan")

    @property
    def _lead(self) -> float:
        return self.others.max() - self.formula["mean"] if len(self.others) else 0.0


def rivals_of(standing: Standing, others: pd.DataFrame) -> Rivals:
    """The formula in question and others, in the same draws; others : what `known_formulas` gave."""
    drawn = standing.outlook().draws(pd.concat([standing.settled, others[standing.names]], ignore_index=True))
    low, high = np.quantile(drawn[:, 0], [0.05, 0.95])
    means, chances = drawn.mean(axis=0), (drawn[:, 1:] > drawn[:, [0]] + SAME).mean(axis=0)
    return Rivals(formula=pd.Series({"mean": means[0], "low": low, "high": high}),
                  others=pd.Series(means[1:], index=others.index, dtype=float),
                  chances=pd.Series(chances, index=others.index, dtype=float))
