"""The formula one would settle on, with and without a change of the records."""

import pandas as pd

from labkit.errors import TweakError
from labkit.trial import check_trial
from labkit.tweaks.suggest import suggest_next


def compare_settled(before, after, seed: int = 0) -> pd.DataFrame:
    """What two states of one trial would settle on today, and what each foretells there.

    before, after : Trial, such as one and the same with a tester set aside. Rows before, after and their difference;
    columns the coordinates, the predicted mean of each wanted attribute [scale], once a pour has failed the chance that
    the formula holds, desirability.
    """
    for trial in (before, after):
        check_trial(trial, error=TweakError)
    if before.recipe.coordinates != after.recipe.coordinates:
        raise TweakError(
            f"the first trial varies {', '.join(before.recipe.coordinates)}, the second "
            f"{', '.join(after.recipe.coordinates)}. Compare two states of one trial."
        )
    rows = {"before": _settled(before, seed), "after": _settled(after, seed)}
    table = pd.DataFrame.from_dict(rows, orient="index")
    table.loc["difference"] = table.loc["after"] - table.loc["before"]
    return table


def _settled(trial, seed: int) -> dict[str, float]:
    """Coordinates of the settled formula and the means that are predicted there."""
    tweak = suggest_next(trial, pours=1, melts=1, seed=seed)
    if not len(tweak.predictions):
        raise TweakError("one of the trials has too few scores to settle on anything. Score two pours or more first.")
    found = tweak.best[list(trial.recipe.coordinates)].iloc[0].to_dict()
    return found | tweak.predictions.set_index("attribute")["mean"].to_dict()
