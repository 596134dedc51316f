"""Panels for tests: unplanned pours, tables of scores, and panels that are simulated."""

import numpy as np
import pandas as pd
from definitions import TERRACOTTA

import labkit
from labkit.attributes import Attribute
from labkit.panel import appraise_panel
from labkit.panel.scored import Scored

SHELF = {"candelilla wax": 2.8, "mango butter": 6.0, "vitamin E": 0.2, "red paste": 0.8, "yellow paste": 0.8,
         "jojoba oil": 9.4}
TEN = [f"X-{k:02d}" for k in range(1, 11)]


def trial_with(pours=4, outcome="ok", text=TERRACOTTA):
    """A trial with unplanned pours, none scored; panels do not look into the formulas."""
    names = [f"X-{k:02d}" for k in range(1, pours + 1)] if isinstance(pours, int) else pours
    frame = pd.DataFrame([{f"{i} [g]": grams for i, grams in SHELF.items()} for _ in names])
    frame["pour"], frame["pour_temperature"], frame["outcome"] = names, 74.0, outcome
    return labkit.Trial.from_toml(text).with_pours(frame)


def scored(table, attribute="payoff", session="1", testers=None, pours=None):
    """Score rows from an array of pours by testers; NaN is not scored."""
    table = np.asarray(table, dtype=float)
    testers = testers or [f"T{k:02d}" for k in range(1, table.shape[1] + 1)]
    pours = pours or [f"X-{k:02d}" for k in range(1, table.shape[0] + 1)]
    rows = [{"pour": pours[p], "tester": testers[t], "session": session, "position": "", "attribute": attribute,
             "score": table[p, t]} for p, t in np.ndindex(*table.shape) if np.isfinite(table[p, t])]
    return pd.DataFrame(rows)


def simulated(seed, pours=8, testers=8, step=0.5, noise=0.8, spread=1.5, level=1.0):
    """An array of rounded scores, the pours' true means over the panel, and the testers' levels."""
    rng = np.random.default_rng(seed)
    mean, lean = rng.normal(5, spread, pours), rng.normal(0, level, testers)
    values = mean[:, None] + lean + rng.normal(0, noise, (pours, testers))
    return np.clip(np.round(values / step) * step if step else values, 0, 10), mean + lean.mean(), lean - lean.mean()


def scored_of(frame, prior="weak"):
    """Scores without a trial, for simulations."""
    return Scored.of(frame, attribute=Attribute(name="payoff"), pours=TEN, prior=prior,
                      stated={"tester": 1.0, "tester_pour": 0.8})


def panel_of(table, prior="weak", **options):
    table = np.asarray(table, dtype=float)
    return appraise_panel(trial_with(len(table)).with_scores(scored(table, **options)), prior=prior)
