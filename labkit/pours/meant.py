"""What was meant of each melt and pour, beside its grams: its round, its melt and its settings."""

import pandas as pd

from labkit.formula import Recipe
from labkit.rounds import Batch, planned_grams


def meant_rows(plan: pd.DataFrame, recipe: Recipe, batch: Batch, *, by: str) -> dict[str, dict]:
    """By melt or pour: planned grams by column and the round; of a pour its melt and settings too."""
    columns = ["round"] if by == "melt" else ["round", "melt", *recipe.settings]
    others = plan.drop_duplicates(by).set_index(by)[columns].to_dict("index")
    return {name: others[name] | grams for name, grams in planned_grams(plan, recipe, batch, by=by).items()}
