"""A round that was given: one of this very trial, or the number of one that is planned in it."""

from dataclasses import replace
from numbers import Integral

import pandas as pd

from labkit.checks import check_type
from labkit.errors import LabkitError
from labkit.planning.notes import beyond_a_sitting
from labkit.portions import small_portions
from labkit.rounds import Round, grams_column
from labkit.trial import Trial
from labkit.wording import words_joined


def round_of(round_: object, trial: Trial, *, error: type[LabkitError], name: str = "the round") -> Round:
    """The Round that was given, of this trial, or that of the number of a planned one, as plan.csv has it."""
    if not isinstance(round_, Integral) or isinstance(round_, bool):
        check_round(round_, trial, error=error, name=name,
                    advice="Give a Round, or the number of a planned one as a whole number.")
        return round_
    plan = trial.plan
    rounds = sorted(set(plan["round"]))
    if round_ not in rounds:
        have = f"round {words_joined(rounds, last='or')}" if rounds else "a Round from plan_round"
        raise error(f"round {round_} is not planned. Give {have}.")
    return kept_round(trial, round_)


def kept_round(trial: Trial, number: int) -> Round:
    """The same as `planned_round`, with what can still be said of it: plan.csv keeps no notes."""
    round_ = planned_round(trial, number)
    return replace(round_, notes=(*beyond_a_sitting(trial, round_), *small_portions(round_, trial.batch)))


def planned_round(trial: Trial, number: int) -> Round:
    """The round of a number that is planned, as plan.csv has it, in the order of pouring."""
    plan = trial.plan
    rows = plan[plan["round"] == number].sort_values("order").reset_index(drop=True)
    return Round(number=int(number), frame=rows, recipe=trial.recipe, batch=trial.batch)


def formulas_of(round_: Round) -> pd.DataFrame:
    """The formulas of a round that differ, a row each: grams, and settings as a hand sets them."""
    grams = [grams_column(i) for i in round_.recipe.ingredients]
    return round_.frame[[*grams, *round_.recipe.settings]].round(6).drop_duplicates()


def check_round(round_: object, trial: Trial, *, error: type[LabkitError], name: str = "the round",
                advice: str = "Give what plan_round returned.") -> None:
    """A Round, of the ingredients that the trial has and of what varies in it."""
    check_type(round_, Round, name=name, advice=advice, error=error)
    for what, there, here in (("varies", round_.recipe.coordinates, trial.recipe.coordinates),
                              ("is made of", round_.recipe.ingredients, trial.recipe.ingredients)):
        if set(there) != set(here):
            raise error(f"{name} {what} {words_joined(there)}, but {trial.name} {what} {words_joined(here)}. Give a "
                        "round of this trial, planned with its present trial.toml.")
