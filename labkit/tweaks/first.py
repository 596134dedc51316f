"""What comes before a new round: what is planned is poured, and what was poured is judged."""

import pandas as pd

from labkit.aside import not_taken_back, without_aside
from labkit.wording import words_joined


def first_of_all(trial) -> str:
    """What comes before a new round: to pour what the newest one still plans, to judge what was poured; or nothing."""
    late, made, (scored, read) = unpoured(trial), _poured(trial), _scored_and_read(trial)
    here = made.index[made["round"].isin([*_unjudged_rounds(trial), made["round"].max()])]
    unscored = [pour for pour in here if trial.scored_attributes and pour not in scored]
    unread = [pour for pour in here if trial.read_attributes and pour not in read]
    tasks = [f"pour {words_joined(late)} as planned"] * bool(late)
    if unscored == unread:
        tasks += [f"have {words_joined(unscored)} scored and read"] * bool(unscored)
    else:
        kinds = ((unscored, "scored"), (unread, "read"))
        tasks += [f"have {words_joined(pours)} {judged}" for pours, judged in kinds if pours]
    without = " A pour that will not be made: delete its row in plan.csv." if late else ""
    return f"First {', then '.join(tasks)}.{without}" if tasks else ""


def unpoured(trial) -> list[str]:
    """Pours of the newest planned round that are not recorded as poured."""
    plan, poured = trial.plan, set(trial.pours["pour"])
    return [pour for pour in plan.loc[plan["round"] == plan["round"].max(), "pour"] if pour not in poured]


def unjudged(trial) -> list[str]:
    """Pours of the newest round that was poured, which have neither a score nor a reading."""
    made, judged = _poured(trial), set().union(*_scored_and_read(trial))
    return [pour for pour in made.index[made["round"] == made["round"].max()] if pour not in judged]


def newest_waits(trial) -> bool:
    """Whether the newest round that was poured has neither a score nor a reading."""
    return _poured(trial)["round"].max() in _unjudged_rounds(trial)


def _unjudged_rounds(trial) -> list[int]:
    """Rounds poured, of which no pour has a score or a reading."""
    judged = set().union(*_scored_and_read(trial))
    return [number for number, part in _poured(trial).groupby("round") if not judged & set(part.index)]


def _scored_and_read(trial) -> tuple[set[str], set[str]]:
    """Pours of which anything was said, set aside since or not, and pours that were read."""
    return set(not_taken_back(trial.scores)["pour"]), set(trial.standing_readings["pour"])


def _poured(trial) -> pd.DataFrame:
    """Pours of planned rounds that came out ok, but for those that are set aside."""
    made = without_aside(trial.made, trial.set_aside)
    return made[made["ok"] & (made["round"] > 0)]
