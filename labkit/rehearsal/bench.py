"""What a hand with a pocket balance makes of a planned round."""

import numpy as np
import pandas as pd

from labkit.pours import melt_columns, pour_columns
from labkit.rounds import Round, grams_column
from labkit.statements import Setting
from labkit.tweaks.slips import HAND_G
from labkit.wording import digits_of_range

KETTLE = 0.03                  # how near a hand comes to a process setting, as a part of its range
SPARE = 1.08                   # a pot is filled for a little more than its pours, for what stays in the beaker


def _hand(grams: np.ndarray, step: float, rng: np.random.Generator) -> np.ndarray:
    """What a balance shows after a hand has aimed at these grams: whole steps, never none of what was meant."""
    aimed = grams + rng.normal(0, HAND_G, size=grams.shape) * (grams > 0)
    shown = np.round(np.round(aimed / step) * step, 6)
    return np.where(grams > 0, np.maximum(shown, step), 0.0)


def _decimals(setting: Setting) -> int:
    """Of a setting as it is read: one of degrees and minutes, three where the range is narrow, more in a tenth of 1."""
    width = setting.high - setting.low
    if KETTLE * width > 0.1:
        return 1
    return max(3, digits_of_range(setting.low, setting.high)) if width > 0 else 3


def weighed(trial, round_: Round, rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows for melts.csv and pours.csv: each weight and setting as a hand comes near to what was planned."""
    recipe, step = trial.recipe, trial.batch.balance_step_g
    melts = round_.melt_sheet() if recipe.pot else pd.DataFrame({"melt": []})
    pot = [grams_column(i) for i in recipe.pot if recipe.pot and len(melts)]
    if pot:
        melts[pot] = _hand(melts[pot].to_numpy(dtype=float) * SPARE, step, rng)
    pours = round_.pour_sheet().drop(columns="order")
    grams = [c for c in pours.columns if c.endswith(" [g]")]
    pours[grams] = _hand(pours[grams].to_numpy(dtype=float), step, rng)
    _, begins, melt = np.unique(pours["melt"].to_numpy(dtype=str), return_index=True, return_inverse=True)
    for setting in recipe.setting_list:
        reach = KETTLE * (setting.high - setting.low)
        off = rng.normal(0, reach, len(pours))                  # what is set once a melt is off alike for all its pours
        off = off[begins][melt] if setting.name in recipe.per_melt else off
        pours[setting.name] = np.round(pours[setting.name] + off, _decimals(setting))
    return (melts.reindex(columns=list(melt_columns(recipe)), fill_value=""),
            pours.reindex(columns=[c for c in pour_columns(recipe) if c in pours.columns]))
