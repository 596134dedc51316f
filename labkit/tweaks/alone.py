"""The newest round, where it was planned at one formula alone, as a confirmation is."""

import pandas as pd

from labkit.aside import pours_aside
from labkit.outgrown import outside_now
from labkit.planning.given import formulas_of, planned_round


def poured_alone(trial) -> pd.DataFrame:
    """Coordinates by pour of the newest round that was poured, where it was planned at one formula and is judged, as a
    confirmation is. A round that waits to be poured tells nothing of what was confirmed before it.

    Without a row where it was not, where there is no round before it to confirm, or where the limits forbid it now.
    """
    points = _planned_alone(trial)
    judged = set(points.index) <= set(trial.judged["pour"])
    return points if judged and not outside_now(trial, points).any() else points.iloc[:0]


def failed_alone(trial) -> pd.DataFrame:
    """Coordinates of the pours of such a round that failed; not of those that are set aside, as for a dropped one."""
    points, aside = _planned_alone(trial), pours_aside(trial.set_aside)
    return points[[pour in trial.failed and pour not in aside for pour in points.index]]


def newest_poured(trial) -> int:
    """The number of the newest planned round of which a pour is recorded, 0 where there is none."""
    plan = trial.plan
    return max(plan.loc[plan["pour"].isin(set(trial.pours["pour"])), "round"], default=0)


def waiting_alone(trial) -> pd.DataFrame:
    """Coordinates by pour of the newest planned round, where it is such a round and nothing of it is judged yet, nor
    failed."""
    points = _alone(trial, int(trial.plan["round"].max()) if len(trial.plan) else 0)
    return points.iloc[:0] if set(points.index) & {*trial.judged["pour"], *trial.failed} else points


def _planned_alone(trial) -> pd.DataFrame:
    """Coordinates by pour of the newest round that was poured, where there is one before it and it has one formula."""
    return _alone(trial, newest_poured(trial))


def _alone(trial, number: int) -> pd.DataFrame:
    """The same of the round of a number."""
    round_ = planned_round(trial, number)
    points = round_.frame.set_index("pour")[list(trial.recipe.coordinates)]
    return points if number > 1 and len(formulas_of(round_)) == 1 else points.iloc[:0]
