"""Invented developments for tests of the fits: any definition, a truth, and noise by source."""
import numpy as np
import pandas as pd
from definitions import HAZEL

import labkit
from labkit.rounds import round_from_factors


def poured(text, *, rounds=3, pours=4, seed=0):
    """A trial with rounds of pours at formulas drawn from the region; melts serve two pours where there is a pot."""
    trial = labkit.Trial.from_toml(text)
    share = 2 if trial.recipe.pot else 1
    for k in range(rounds):
        points = trial.region.sample(pours, seed=1000 * seed + k)
        first = np.arange(pours) // share * share
        for name in trial.recipe.per_melt:
            points[name] = points[name].to_numpy()[first]
        names = trial.next_melts(-(-pours // share))
        round_ = round_from_factors(
            trial.recipe, trial.batch, number=trial.next_round, melts=[names[i // share] for i in range(pours)],
            pours=trial.next_pours(pours), coordinates=points)
        trial = trial.with_round(round_).with_pours(round_.as_poured())
    return trial


def scored(trial, truth, *, testers=6, seed=0, noise=None, step=0.5):
    """Scores of every pour by every tester: truth(coded) -> (n, attributes), noise sd by source in score units.

    The truth is the long-run mean of this panel, so its leanings add to nothing.
    """
    rng, made = np.random.default_rng(seed), trial.made
    sd = {"round": 0.3, "melt": 0.3, "pour": 0.3, "tester": 1.0, "tester_pour": 0.8} | (noise or {})
    coded = trial.region.coded(made[list(trial.recipe.coordinates)])
    true = np.asarray(truth(coded), dtype=float).reshape(len(made), -1)
    rows = []
    for k, attribute in enumerate(trial.attributes.values()):
        level = true[:, k] + sd["pour"] * rng.normal(size=len(made))
        for source in ("round", "melt"):
            codes = pd.factorize(made[source])[0]
            level = level + sd[source] * rng.normal(size=codes.max() + 1)[codes]
        leaning = sd["tester"] * rng.normal(size=testers)
        tasted = level[:, None] + leaning - leaning.mean()
        tasted = tasted + sd["tester_pour"] * rng.normal(size=(len(made), testers))
        tasted = np.clip(np.round(tasted / step) * step, attribute.low, attribute.high)
        rows += [{"pour": pour, "tester": f"T{t + 1:02d}", "session": str(made.at[pour, "round"]), "position": "1",
                  "attribute": attribute.name, "score": tasted[i, t]}
                 for i, pour in enumerate(made.index) for t in range(testers)]
    return trial.with_scores(pd.DataFrame(rows))


def terracotta_truth(coded):
    wax, red, load, warm = coded.T
    return np.column_stack([5.5 - 1.2 * wax + 2.0 * load - 0.5 * load**2, 5 + 2 * wax - 0.7 * wax**2,
                            5 - 1.5 * load + 0.3 * warm, 6 - 1.5 * (red - 0.3) ** 2])


def hazel(scores, *, pours=None):
    """The hazel pot with one score a pour by one tester."""
    trial = poured(HAZEL, rounds=1, pours=pours or len(scores))
    rows = [{"pour": pour, "tester": "T01", "session": "1", "position": "1", "attribute": "hardness", "score": score}
            for pour, score in zip(trial.made.index, scores)]
    return trial.with_scores(pd.DataFrame(rows))
