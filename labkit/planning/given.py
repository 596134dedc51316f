"""A round that was given: one of this very trial."""

from labkit.checks import check_type
from labkit.errors import LabkitError
from labkit.rounds import Round
from labkit.trial import Trial
from labkit.wording import words_joined


def check_round(round_: object, trial: Trial, *, error: type[LabkitError], name: str = "the round",
                advice: str = "Give what plan_round returned.") -> None:
    """A Round, of the ingredients that the trial has and of what varies in it."""
    check_type(round_, Round, name=name, advice=advice, error=error)
    for what, there, here in (("varies", round_.recipe.coordinates, trial.recipe.coordinates),
                              ("is made of", round_.recipe.ingredients, trial.recipe.ingredients)):
        if set(there) != set(here):
            raise error(f"{name} {what} {words_joined(there)}, but {trial.name} {what} {words_joined(here)}. Give a "
                        "round of this trial, planned with its present trial.toml.")
