"""One round played: weighed, melted, poured, served, scored and read."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from labkit.handing import hands_out_copies
from labkit.rehearsal.bench import weighed
from labkit.rehearsal.table import read_off, scored, served, tester_names
from labkit.rehearsal.world import World
from labkit.rounds import Round
from labkit.scores import known_ids

DID_NOT_SET = "failed: did not set"
LOTS, READS = 89, 101          # keep the draws of what fails, and of what is read, apart from all others


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class Played:
    """The records of one round as a bench and a panel would leave them."""

    melts: pd.DataFrame
    pours: pd.DataFrame
    servings: pd.DataFrame
    scores: pd.DataFrame
    readings: pd.DataFrame

    def onto(self, trial, round_: Round):
        """The trial with this round planned, melted, poured, served, scored and read."""
        trial = trial.with_round(round_)
        trial = trial.with_melts(self.melts) if len(self.melts) else trial
        trial = trial.with_pours(self.pours).with_servings(self.servings).with_scores(self.scores)
        return trial.with_readings(self.readings) if len(self.readings) else trial


def play_round(trial, round_: Round, world: World, testers: int | Sequence[str] = 6, seed: int = 0,
               failed: Mapping[str, str] | None = None) -> Played:
    """Weigh, melt, pour, serve and score one round in a world; read what an instrument reads.

    `testers` is a number (they are called T01, T02 ...) or their names; `failed` gives the outcome of pours that fail
    ("failed: broke on unmoulding"); those, and the ones that fail by the chance of the world, are not served. The
    scores follow the formulas as they were weighed, not as they were planned.
    """
    rng = np.random.default_rng([seed, round_.number])
    names = tester_names(testers, known_ids(trial.servings, trial.scores)["tester"])
    failed = dict(failed or {})
    melts, pours = weighed(trial, round_, rng)
    meant = trial.with_round(round_)
    meant = meant.with_melts(melts) if len(melts) else meant
    made = meant.with_pours(pours.assign(outcome="ok")).made.loc[list(round_.pours)]
    failed = {**_lots(world, made[list(trial.recipe.coordinates)], [seed, round_.number, LOTS]), **failed}
    pours["outcome"] = [failed.get(pour, "ok") for pour in pours["pour"]]
    held = [pour for pour in round_.pours if pour not in failed]
    servings = served(trial, held if trial.scored_attributes else [], round_.number, names, rng)
    scores = scored(trial, made, world, servings, names, rng)
    readings = read_off(trial, made.loc[held], world, np.random.default_rng([seed, round_.number, READS]))
    return Played(melts=melts, pours=pours, servings=servings, scores=scores, readings=readings)


def _lots(world: World, points: pd.DataFrame, stream: list[int]) -> dict[str, str]:
    """Which pours fail by the chance of the world, drawn apart from all else, which stays as it is."""
    fails = np.random.default_rng(stream).uniform(size=len(points)) >= world.holds_at(points)
    return dict.fromkeys(points.index[fails], DID_NOT_SET)
