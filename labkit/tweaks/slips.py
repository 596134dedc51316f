"""How far a slip of hand, balance, kettle or beaker pushes a formula, and what that changes in the scores."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from labkit.attributes import Attribute
from labkit.rounds import ALLOWANCE
from labkit.tweaks.standing import Standing
from labkit.wording import unit_text

HAND_G = 0.02                  # how near a hand comes with a spatula or a dropper [g], our own figure, as in rehearsals
KETTLE = 0.05                  # how far a setting may be off, as a part of its range: our own figure
LEFT = (0.03, 0.08)            # of the base drawn stays in the beaker (common practice)
BEAKER = "of the base left in the beaker"
HARMLESS = 0.005               # desirability: less is not worth a word
DRAWS = 8192                   # a slip moves desirability by little, and in few worlds by much: of 1024, .013 to .020


@dataclass(frozen=True, kw_only=True)
class Slip:
    """One slip in words, the grams on the shelf that come of it, and how far each setting is off."""

    text: str
    grams: np.ndarray
    off: dict[str, float]


def slips_at(standing: Standing, grams: pd.Series) -> pd.DataFrame:
    """A row a slip, the largest loss first: what moves, then the change of each predicted mean and of desirability.

    grams : by ingredient, the pour as it is weighed. Each weight is off by a balance step and a hand, the pot's in
    a pot that is filled for one pour (in a pot for ten it counts a tenth); each setting by a part of its range. `low`
    is the change of desirability that is undercut in one of twenty worlds that fit the scores.
    """
    trial = standing.trial
    planned = grams[list(trial.recipe.ingredients)].to_numpy(dtype=float)
    slips = [*_weights(trial, planned), *_settings(trial, planned), *_left_behind(trial, planned)]
    points = _points(standing, [Slip(text="", grams=planned, off={}), *slips])
    outlook = standing.outlook(DRAWS)
    known = outlook.known(points)
    scores, desired = dict(zip(outlook.surfaces, known)), outlook.worth(known)
    table = pd.DataFrame({"what slips": [s.text for s in slips], "moves": _moves(standing, points)})
    for name, drawn in scores.items():
        table[name] = drawn.mean(axis=0)[1:] - drawn.mean(axis=0)[0]
    change = desired[:, 1:] - desired[:, [0]]
    table["desirability"], table["low"] = change.mean(axis=0), np.quantile(change, 0.05, axis=0)
    return table.sort_values("desirability", kind="stable", ignore_index=True)


def _weights(trial, planned: np.ndarray) -> list[Slip]:
    """Each ingredient too much and too little, and the base drawn."""
    recipe, amount = trial.recipe, trial.batch.balance_step_g + HAND_G
    pot = np.array([i in recipe.pot for i in recipe.ingredients])
    found = []
    for k, name in enumerate(recipe.ingredients):
        for sign, word in ((1, "too much"), (-1, "too little")):
            error = sign * amount * (np.arange(len(planned)) == k)
            if planned[k] > 0 and planned[k] + sign * amount >= 0:
                where = " in the pot" if pot[k] else " in the pour"
                grams = _with_pot(planned, error, pot) if pot[k] else planned + error
                found.append(Slip(text=f"{amount:.2f} g {word} {name}{where}", grams=grams, off={}))
    if pot.any() and not pot.all():
        for sign, word in ((1, "too much"), (-1, "too little")):
            grams = np.where(pot, planned * (1 + sign * amount / planned[pot].sum()), planned)
            found.append(Slip(text=f"{amount:.2f} g {word} base drawn", grams=grams, off={}))
    return found


def _with_pot(planned: np.ndarray, error: np.ndarray, pot: np.ndarray) -> np.ndarray:
    """The pour when its base is drawn from a pot, filled with a little more than one pour takes, with this error."""
    filled = (1 + ALLOWANCE) * planned * pot + error
    return np.where(pot, filled * planned[pot].sum() / filled.sum(), planned)


def _settings(trial, planned: np.ndarray) -> list[Slip]:
    found = []
    for s in trial.recipe.setting_list:
        amount = KETTLE * (s.high - s.low)
        found += [Slip(text=f"{s.name} {amount:g}{f' {unit_text(s.unit)}' if s.unit else ''} too {word}", grams=planned,
                       off={s.name: sign * amount}) for sign, word in ((1, "high"), (-1, "low")) if amount > 0]
    return found


def _left_behind(trial, planned: np.ndarray) -> list[Slip]:
    """Base that stays in the beaker, with all of the colour stirred into the rest."""
    pot = np.array([i in trial.recipe.pot for i in trial.recipe.ingredients])
    if not pot.any() or pot.all():
        return []
    return [Slip(text=f"{100 * part:.0f} % {BEAKER}", grams=planned * np.where(pot, 1 - part, 1), off={})
            for part in LEFT]


def _points(standing: Standing, slips: list[Slip]) -> pd.DataFrame:
    recipe = standing.trial.recipe
    masses = np.array([s.grams / s.grams.sum() for s in slips])
    points = recipe.factors_of(pd.DataFrame(masses, columns=list(recipe.ingredients)))
    for name in recipe.settings:
        points[name] = [standing.settled[name].iloc[0] + s.off.get(name, 0.0) for s in slips]
    return points[standing.names]


def _moves(standing: Standing, points: pd.DataFrame) -> list[str]:
    """`load +0.0012`: what a slip changes by more than a thousandth of its range, the first row being the formula."""
    over = standing.trial.recipe.over_ranges(points)
    moved, parts = (points - points.iloc[0]).to_numpy(), np.abs(over - over[0])
    return [", ".join(f"{name} {value:+.2g}" for name, value, part in zip(standing.names, row, shares, strict=True)
                      if part > 0.001) or "nothing that varies"
            for row, shares in zip(moved[1:], parts[1:], strict=True)]


def slips_in_words(slips: pd.DataFrame, scales: Mapping[str, Attribute]) -> str:
    """The most dangerous slip, with what it moves by the largest part of its scale; or that none of them matters."""
    worst = slips.iloc[0]
    scores = slips.columns[2:-2]
    if worst["desirability"] > -HARMLESS:
        costs = bool(worst["desirability"] <= -0.0005)       # else it prints as nothing, or is none
        largest = f"; the largest is {worst['what slips']}, {worst['desirability']:+.3f}" * costs
        return f"No slip of hand, balance or kettle costs more than {HARMLESS:g} of desirability{largest}."
    most = max(scores, key=lambda name: abs(worst[name]) / scales[name].width)
    moved = scales[most].with_unit(scales[most].told(worst[most], 2, "+"))
    remedy = (" Weigh the base that has arrived, and stir in for each gram of it as the round's sheet says."
              if worst["what slips"].endswith(BEAKER) else "")
    return (f"The slip to guard against: {worst['what slips']}. It moves {most} by {moved} and costs "
            f"{-worst['desirability']:.3f} of desirability.{remedy}")
