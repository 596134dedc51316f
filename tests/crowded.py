"""Many pours close together, as in the last rounds of a trial (invented numbers)."""
import numpy as np
import pandas as pd
from definitions import TERRACOTTA

from labkit.rounds import round_from_factors
from labkit.trial import Trial


def crowded_trial(pours: int = 12, width: float = 0.25, testers: int = 6) -> Trial:
    """One round about one formula, `width` of each range wide; the sixth pour failed, the others are scored."""
    trial, rng = Trial.from_toml(TERRACOTTA), np.random.default_rng(3)
    low, high = trial.recipe.bounds["low"], trial.recipe.bounds["high"]
    at = pd.DataFrame({c: low[c] + (high[c] - low[c]) * (0.6 + width * rng.uniform(-0.5, 0.5, pours)) for c in low.index})
    at["wax"] = np.repeat(at["wax"].to_numpy()[::2], 2)
    round_ = round_from_factors(trial.recipe, trial.batch, number=1, coordinates=at, pours=trial.next_pours(pours),
                                melts=[melt for melt in trial.next_melts(pours // 2) for _ in range(2)])
    made = round_.as_poured()
    made.loc[5, "outcome"] = "failed: broke"
    scores = [(pour, f"T{k:02d}", attribute, round(float(np.clip(rng.normal(5, 1), 0, 10)), 1))
              for pour in made["pour"].drop(5) for k in range(testers) for attribute in trial.attributes]
    poured = trial.with_round(round_).with_pours(made)
    return poured.with_scores(pd.DataFrame(scores, columns=["pour", "tester", "attribute", "score"]))
