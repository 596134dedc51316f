"""The newest round that was planned at one formula alone, as a confirmation is."""

import pandas as pd

from labkit.aside import pours_aside
from labkit.outgrown import outside_now
from labkit.planning.given import formulas_of, planned_round


def poured_alone(trial) -> pd.DataFrame:
    """Coordinates by pour of `newest_alone`, where that is judged. Rounds of several formulas that came after it take
    nothing back of what it confirmed, and one that waits to be poured tells nothing of it.

    Without a row where there is none, where it is not judged, or where the limits forbid it now.
    """
    points = _alone(trial, newest_alone(trial))
    judged = set(points.index) <= set(trial.judged["pour"])
    return points if judged and not outside_now(trial, points).any() else points.iloc[:0]


def failed_alone(trial) -> pd.DataFrame:
    """Coordinates of the pours of such a round that failed; not of those that are set aside, as for a dropped one."""
    points, aside = _alone(trial, newest_alone(trial)), pours_aside(trial.set_aside)
    return points[[pour in trial.failed and pour not in aside for pour in points.index]]


def newest_alone(trial) -> int:
    """The number of the newest round with a pour recorded that was planned at one formula; 0 where there is none."""
    plan = trial.plan
    made = sorted(set(plan.loc[plan["pour"].isin(set(trial.pours["pour"])), "round"]), reverse=True)
    return next((number for number in made if len(_alone(trial, number))), 0)


def waiting_alone(trial) -> pd.DataFrame:
    """Coordinates by pour of the newest planned round, where it is such a round and nothing of it is judged yet, nor
    failed."""
    points = _alone(trial, int(trial.plan["round"].max()) if len(trial.plan) else 0)
    return points.iloc[:0] if set(points.index) & {*trial.judged["pour"], *trial.failed} else points


def _alone(trial, number: int) -> pd.DataFrame:
    """Coordinates by pour of the round of a number, where there is one before it to confirm and it has one formula."""
    round_ = planned_round(trial, number)
    points = round_.frame.set_index("pour")[list(trial.recipe.coordinates)]
    return points if number > 1 and len(formulas_of(round_)) == 1 else points.iloc[:0]
