"""Where a trial stands today: what is known about what is wanted, and the formula that one would settle on."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from labkit.attributes import wanted_of
from labkit.checks import check_type
from labkit.errors import TweakError
from labkit.handing import hands_out_copies
from labkit.rounds import grams_column
from labkit.surfaces import fit_surfaces
from labkit.surfaces.asked import check_points
from labkit.tweaks.outlook import Outlook
from labkit.tweaks.search import poured_well
from labkit.tweaks.suggest import WIDE, asked_of, scored_pours, searched
from labkit.tweaks.weighing import weighed_best
from labkit.wording import words_joined


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class Standing:
    """A trial, what is known of all that is wanted, the formula in question (one row of coordinates), other points.

    points : coordinates looked at on the way to the formula, best first; empty where it was given. hold : coordinates
    that the search held, because that was asked for or because nothing can be told to depend on them.
    """

    trial: object
    known: Outlook
    settled: pd.DataFrame
    points: pd.DataFrame
    hold: Mapping[str, float]
    seed: int

    @property
    def names(self) -> list[str]:
        return list(self.trial.recipe.coordinates)

    @property
    def surfaces(self) -> Mapping[str, object]:
        """The surfaces of what is wanted."""
        return self.known.surfaces

    def outlook(self, n: int = WIDE, apart: int = 2) -> Outlook:
        """Joint draws of all that is wanted; `apart` gives others."""
        return self.known.with_draws(n, self.seed + apart)

    def holds(self, points: pd.DataFrame) -> np.ndarray:
        """The chance that each formula holds, (rows,); 1 as long as no pour has failed."""
        failing = self.known.failing
        return np.ones(len(points)) if failing is None else 1 - failing.predict(points)["chance"].to_numpy()


def standing_of(trial, formula: pd.DataFrame | None = None, *, seed: int = 0, surfaces=None,
                hold: Mapping[str, float] | None = None) -> Standing:
    """The trial as it stands, at a formula given or at the one that `suggest_next` would settle on (with `hold`).

    formula : one row with the coordinates, such as suggest_next(trial).best. surfaces : what fit_surfaces(trial) gave.
    """
    asked = asked_of(trial, 1, 1, seed, hold, None)
    if surfaces is not None:
        check_surfaces(trial, surfaces)
    found = None if formula is None else checked_formula(trial, formula)
    outlook = Outlook.of(trial, _wanted_surfaces(trial, surfaces), seed=asked.seed)
    points = pd.DataFrame(columns=asked.names)
    if found is None:
        points, _, asked = searched(asked, outlook)
        found = weighed_best(asked, points.iloc[[0]])[asked.names]
    return Standing(trial=trial, known=outlook, settled=found.reset_index(drop=True), points=points,
                    hold=asked.fixed, seed=asked.seed)


def check_surfaces(trial, surfaces: object) -> None:
    """Surfaces by attribute, each of this trial."""
    check_type(surfaces, Mapping, name="surfaces", advice="Give what fit_surfaces(trial) returned.", error=TweakError)
    for name, surface in surfaces.items():
        if name not in trial.attributes:
            raise TweakError(f"surfaces has {name!r}, which is no attribute of {trial.name}. "
                             "Give what fit_surfaces(trial) returned.")
        if not hasattr(surface, "predict"):
            raise TweakError(f"surfaces[{name!r}] is of type {type(surface).__name__}. Give one of those that "
                             "fit_surfaces(trial) returned, such as surfaces['payoff'].")
        there, here = surface.ground.trial.recipe.coordinates, trial.recipe.coordinates
        if there != here:
            raise TweakError(f"surfaces[{name!r}] lies over {words_joined(there)}, but {trial.name} varies "
                             f"{words_joined(here)}. Give what fit_surfaces(trial) returned.")
        if not _same_said(surface.ground.trial, trial):
            raise TweakError(f"surfaces[{name!r}] was fitted to other scores or readings than those that stand in "
                             f"{trial.name}. Give what fit_surfaces(trial) returns now.")


def _same_said(one, other) -> bool:
    """Whether the same scores and readings stand in two trials, row by row."""
    return one is other or (one.standing_scores.equals(other.standing_scores)
                            and one.standing_readings.equals(other.standing_readings))


def _wanted_surfaces(trial, surfaces) -> dict[str, object]:
    if surfaces is None and scored_pours(trial) >= 2:
        surfaces = fit_surfaces(trial)
    found = {name: s for name, s in (surfaces or {}).items() if name in wanted_of(trial.attributes)}
    if not found:
        raise TweakError(f"{trial.name} has too few scores to settle on anything. Score two pours or more first.")
    return found


def checked_formula(trial, formula: pd.DataFrame) -> pd.DataFrame:
    """One row of coordinates within the limits of the trial, as nearly as a balance step can tell."""
    if not isinstance(formula, pd.DataFrame) or len(formula) != 1:
        what = f"{len(formula)} rows" if isinstance(formula, pd.DataFrame) else f"of type {type(formula).__name__}"
        raise TweakError(f"formula is {what}. Give a frame of one row, such as suggest_next(trial).best.")
    grams = [grams_column(i) for i in trial.recipe.ingredients]
    told = check_points(formula.drop(columns=grams, errors="ignore"), trial, what="formula", error=TweakError)
    point = trial.recipe.at_ends(told)
    bounds = trial.recipe.bounds.loc[list(point.columns)]
    step = trial.batch.balance_step_g / trial.batch.pour_g
    beyond = (point.iloc[0] < bounds["low"] - step) | (point.iloc[0] > bounds["high"] + step)
    if beyond.any():
        name = beyond.idxmax()
        raise TweakError(f"formula has {name} {point[name].iloc[0]:g}, but it runs from {bounds.at[name, 'low']:g} to "
                         f"{bounds.at[name, 'high']:g}. Give a formula within the limits.")
    if not trial.region.keeps(point, tolerance=step)[0]:
        raise TweakError("formula lies outside a limit of trial.toml. Give a formula within the limits.")
    return point


def known_formulas(standing: Standing, apart: float) -> pd.DataFrame:
    """Coordinates of the pours that were made, set, stand and fit the limits, but for those nearer than `apart`.

    A pour that is set aside as a whole is no choice to turn to: something was wrong with it.
    apart : the largest difference to the formula in question, as a part of the range of a coordinate.
    """
    trial = standing.trial
    made = poured_well(trial)
    if not len(made):
        return made
    return made[trial.recipe.apart(made, standing.settled)[:, 0] >= apart]
