"""The path of the settled formula: what the kit would have settled on after each round."""

from dataclasses import replace

import numpy as np
import pandas as pd

from labkit.attributes import wanted_of
from labkit.errors import TweakError
from labkit.pours import day_of, standing_pours
from labkit.trial import check_trial
from labkit.tweaks.standing import Standing, standing_of
from labkit.tweaks.suggest import scored_pours

PREDICTED = ("desirability", "low", "high")
TODAY = ("today", "today low", "today high")


def settled_by_round(trial, seed: int = 0) -> pd.DataFrame:
    """The formula to settle on after each round, with what was predicted of it then and what is known of it today.

    The records are replayed: after a round counts what was poured up to it, and what was said in sittings whose
    latest pour is of it or of an earlier one; a reading counts with its pour. Corrections, and what is set aside,
    hold throughout as they stand today. A pour that no round planned belongs to the round of its melt; else, where
    pours are dated, to the last round begun by its day; else to the latest round recorded before it (0: before the
    first).

    Returns a frame, a row a round: round, pours (judged by then), the coordinates, `mean: <attribute>` of what is
    wanted, desirability, low, high (90 %) as predicted then; today, today low, today high of the same formula as known
    now; moved, the largest step from the round before as a part of a coordinate's range. Until two pours are scored it
    is the starting formula, and nothing is predicted.
    """
    check_trial(trial, error=TweakError)
    if not len(trial.judged):
        raise TweakError(f"no pour of {trial.name} has been judged, so there is no path yet. Record scores first.")
    names = list(trial.recipe.coordinates)
    stood = {number: _stood(as_of(trial, number), seed) for number in sorted(set(rounds_of(trial)))}
    path = pd.DataFrame([_row(number, *found, names) for number, found in stood.items()])
    path = _with_today(path, [standing for _, standing in stood.values() if standing is not None], names)
    return path.assign(moved=_steps(path[names], trial.recipe))


def _stood(trial, seed: int) -> tuple[object, Standing | None]:
    """A trial and where it stands; None where too little was judged to settle on anything."""
    return trial, standing_of(trial, seed=seed) if scored_pours(trial) >= 2 else None


def rounds_of(trial) -> pd.Series:
    """By pour, in the order of recording: its round; for an unplanned one as told in `settled_by_round`."""
    pours = standing_pours(trial.pours).set_index("pour")
    rounds = trial.plan.set_index("pour")["round"].reindex(pours.index).astype(float)
    planned = pours["melt"].where(rounds.notna() & (pours["melt"] != ""))
    by_melt = pours["melt"].map(rounds.groupby(planned).max())
    by_melt = by_melt.fillna(pours["melt"].map(trial.plan[trial.plan["melt"] != ""].groupby("melt")["round"].max()))
    by_date = _by_date(pd.to_datetime(pours["date"].map(day_of), format="%Y-%m-%d", errors="coerce"), rounds)
    return rounds.fillna(by_melt).fillna(by_date).fillna(rounds.cummax().ffill()).fillna(0).astype(int)


def _by_date(dates: pd.Series, rounds: pd.Series) -> pd.Series:
    """The last round begun by each date; 0 before the first, nan without a date or where no round has one."""
    begun = dates.groupby(rounds).min().dropna()
    found = pd.Series(np.nan, index=dates.index)
    for pour, day in dates.dropna().items() if len(begun) else ():
        found[pour] = begun.index[begun <= day].max() if (begun <= day).any() else 0
    return found


def as_of(trial, number: int):
    """The trial as it stood after a round."""
    rounds = rounds_of(trial)
    poured = set(rounds.index[rounds <= number])
    tables = {name: table for name, table in trial.tables.items()}
    tables["plan"] = trial.plan[trial.plan["round"] <= number]
    for name in ("pours", "readings", "servings"):
        tables[name] = tables[name][tables[name]["pour"].isin(poured)]
    tables["melts"] = trial.melts[trial.melts["melt"].isin({*tables["pours"]["melt"], *tables["plan"]["melt"]})]
    tables["scores"] = trial.scores[(_rounds_of_scores(trial, rounds) <= number).to_numpy()]
    if all(len(table) == len(trial.tables[name]) for name, table in tables.items()):
        return trial                                   # what was found of it is kept
    return replace(trial, tables={name: table.reset_index(drop=True) for name, table in tables.items()})


def _rounds_of_scores(trial, rounds: pd.Series) -> pd.Series:
    """By row of scores: the latest round of all that was judged in its sitting (session and date of serving)."""
    scores, keys = trial.scores, ["session", "tester", "pour"]
    dates = trial.servings.drop_duplicates(keys).set_index(keys)["date"]
    dates = dates.reindex(pd.MultiIndex.from_frame(scores[keys])).fillna("").to_numpy()
    own = scores["pour"].map(rounds)
    sitting = own.groupby([scores["session"], pd.Series(dates, index=scores.index)]).transform("max")
    return sitting.where(scores["session"] != "", own)


def _row(number: int, trial, standing: Standing | None, names: list[str]) -> dict:
    """The formula settled on, and what is predicted of it."""
    point = trial.recipe.starting_factors if standing is None else standing.settled
    means = {f"mean: {name}": np.nan for name in wanted_of(trial.attributes)}
    found = [np.nan] * 3
    if standing is not None:
        means |= {f"mean: {name}": s.predict(point)["mean"].item() for name, s in standing.surfaces.items()}
        found = _told(standing, point)[:, 0]
    return {"round": number, "pours": trial.judged["pour"].nunique(), **point[names].iloc[0].to_dict(), **means,
            **dict(zip(PREDICTED, found, strict=True))}


def _with_today(path: pd.DataFrame, standings: list[Standing], names: list[str]) -> pd.DataFrame:
    """The same formulas in the light of all that is known now: after the last round."""
    found = _told(standings[-1], path[names]) if standings else np.full((3, len(path)), np.nan)
    return path.assign(**dict(zip(TODAY, found, strict=True)))


def _told(standing: Standing, points: pd.DataFrame) -> np.ndarray:
    """Expected desirability, low, high (90 %) at some formulas, (3, m), from the draws that `suggest_next` shows."""
    draws = standing.outlook().draws(points)
    return np.vstack([draws.mean(axis=0), np.quantile(draws, [0.05, 0.95], axis=0)])


def _steps(points: pd.DataFrame, recipe) -> np.ndarray:
    """Largest difference to the row before, as a part of the range; nan in the first row."""
    return pd.DataFrame(recipe.over_ranges(points)).diff().abs().max(axis=1).to_numpy()
