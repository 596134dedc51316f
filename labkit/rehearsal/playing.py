"""One round played: weighed, melted, poured, served and scored."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from labkit.rehearsal.bench import weighed
from labkit.rehearsal.table import scored, served, tester_names
from labkit.rehearsal.world import World
from labkit.rounds import Round


@dataclass(frozen=True, kw_only=True, eq=False)
class Played:
    """The records of one round as a bench and a panel would leave them."""

    melts: pd.DataFrame
    pours: pd.DataFrame
    servings: pd.DataFrame
    scores: pd.DataFrame

    def onto(self, trial, round_: Round):
        """The trial with this round planned, melted, poured, served and scored."""
        trial = trial.with_round(round_)
        trial = trial.with_melts(self.melts) if len(self.melts) else trial
        return trial.with_pours(self.pours).with_servings(self.servings).with_scores(self.scores)


def play_round(trial, round_: Round, world: World, testers: int | Sequence[str] = 6, seed: int = 0,
               failed: Mapping[str, str] | None = None) -> Played:
    """Weigh, melt, pour, serve and score one round in a world.

    `testers` is a number (they are called T01, T02 ...) or their names; `failed` gives the outcome of pours that fail
    ("failed: broke on unmoulding"), which are not served. The scores follow the formulas as they were weighed, not as
    they were planned.
    """
    rng = np.random.default_rng([seed, round_.number])
    names, failed = tester_names(testers), failed or {}
    melts, pours = weighed(trial, round_, rng)
    pours["outcome"] = [failed.get(pour, "ok") for pour in pours["pour"]]
    meant = trial.with_round(round_)
    meant = meant.with_melts(melts) if len(melts) else meant
    made = meant.with_pours(pours).made.loc[list(round_.pours)]
    servings = served(trial, [pour for pour in round_.pours if pour not in failed], round_.number, names, rng)
    scores = scored(trial, made, world, servings, names, rng)
    return Played(melts=melts, pours=pours, servings=servings, scores=scores)
