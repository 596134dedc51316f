"""A whole trial played against an invented truth before any wax is melted.

    score = middle + slope_t (truth + round + melt + pour - middle) + level_t + (tester x pour), read to a step

`middle` is the middle of the scale. Levels are taken less their mean and slopes over their mean, so that the truth is
the long-run mean score of this panel.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from labkit.checks import check_whole
from labkit.errors import RehearsalError
from labkit.pours import melt_columns, pour_columns
from labkit.rounds import Round, grams_column
from labkit.scores import SCORE_COLUMNS, SERVING_COLUMNS
from labkit.tweaks import desirability_of, highest, suggest_next
from labkit.wording import words_joined

HAND_G = 0.02                  # how near to the planned weight a hand comes with a spatula or a dropper [g]
KETTLE = 0.03                  # the same for a process setting, as a part of its range
SPARE = 1.08                   # a pot is filled for a little more than its pours, for what stays in the beaker
Amount = float | Mapping[str, float]


@dataclass(frozen=True, eq=False)
class World:
    """An invented truth, and how far bench and panel scatter about it.

    truth : coordinates frame -> frame with a column an attribute, the panel's long-run mean scores.
    sd_round, sd_melt, sd_pour, sd_tester_pour : standard deviations in units of the scale, one for all attributes
        or attribute -> value.
    levels : who scores high or low, slopes : who uses more or less of the scale; None, a value a tester in order,
        tester -> value, or a frame of testers by attributes.
    step : scores are read to this step, and lie on the scale.
    """

    truth: Callable[[pd.DataFrame], pd.DataFrame]
    sd_round: Amount = 0.3
    sd_melt: Amount = 0.3
    sd_pour: Amount = 0.3
    sd_tester_pour: Amount = 0.8
    levels: Sequence | Mapping | pd.DataFrame | None = None
    slopes: Sequence | Mapping | pd.DataFrame | None = None
    step: float = 0.5

    def __post_init__(self):
        if not callable(self.truth):
            raise RehearsalError(f"truth is a {type(self.truth).__name__}. Give a function of a coordinates frame.")
        for name in ("sd_round", "sd_melt", "sd_pour", "sd_tester_pour"):
            amounts = getattr(self, name)
            for value in amounts.values() if isinstance(amounts, Mapping) else [amounts]:
                if not 0 <= value < np.inf:
                    raise RehearsalError(f"{name} is {value!r}. Give a standard deviation, 0 or more.")
        if not 0 <= self.step < np.inf:
            raise RehearsalError(f"step is {self.step!r}. Give 0.5 for half points, 0 for scores that are not rounded.")

    def truth_at(self, coordinates: pd.DataFrame, attributes: Sequence[str]) -> pd.DataFrame:
        """The long-run mean scores at some coordinates, checked: a finite number for each attribute and row."""
        found = self.truth(coordinates.copy())
        missing = [name for name in attributes if name not in getattr(found, "columns", ())]
        if missing:
            raise RehearsalError(f"truth gives no column {missing[0]!r}. Give {words_joined(attributes)}.")
        values = found[list(attributes)].to_numpy(dtype=float)
        if len(values) != len(coordinates) or not np.isfinite(values).all():
            raise RehearsalError(f"truth gives {len(values)} rows, or values that are not numbers, for "
                                 f"{len(coordinates)} formulas. Give a finite number for each.")
        return pd.DataFrame(values, columns=list(attributes), index=coordinates.index)


@dataclass(frozen=True, kw_only=True, eq=False)
class Played:
    """The records of one round as a bench and a panel would leave them."""

    melts: pd.DataFrame
    pours: pd.DataFrame
    servings: pd.DataFrame
    scores: pd.DataFrame

    def onto(self, trial, round_: Round):
        """The trial with this round planned, melted, poured, served and scored."""
        trial = trial.with_round(round_)
        trial = trial.with_melts(self.melts) if len(self.melts) else trial
        return trial.with_pours(self.pours).with_servings(self.servings).with_scores(self.scores)


def play_round(trial, round_: Round, world: World, testers: int | Sequence[str] = 6, seed: int = 0,
               failed: Mapping[str, str] | None = None) -> Played:
    """Weigh, melt, pour, serve and score one round in a world.

    `testers` is a number (they are called T01, T02 ...) or their names; `failed` gives the outcome of pours that fail
    ("failed: broke on unmoulding"), which are not served. The scores follow the formulas as they were weighed, not as
    they were planned.
    """
    rng = np.random.default_rng([seed, round_.number])
    names, failed = _tester_names(testers), failed or {}
    melts, pours = _weighed(trial, round_, rng)
    pours["outcome"] = [failed.get(pour, "ok") for pour in pours["pour"]]
    meant = trial.with_round(round_)
    meant = meant.with_melts(melts) if len(melts) else meant
    made = meant.with_pours(pours).made.loc[list(round_.pours)]
    servings = _served(trial, [pour for pour in round_.pours if pour not in failed], round_.number, names, rng)
    scores = _scored(trial, made, world, servings, names, rng)
    return Played(melts=melts, pours=pours, servings=servings, scores=scores)


def _tester_names(testers: int | Sequence[str]) -> list[str]:
    if isinstance(testers, int | np.integer):
        check_whole(testers, name="testers", low=1, high=99, error=RehearsalError)
        return [f"T{k:02d}" for k in range(1, testers + 1)]
    return [str(name) for name in testers]


# Bench

def _hand(grams: np.ndarray, step: float, rng: np.random.Generator) -> np.ndarray:
    """What a balance shows after a hand has aimed at these grams: whole steps, never none of what was meant."""
    aimed = grams + rng.normal(0, HAND_G, size=grams.shape) * (grams > 0)
    shown = np.round(np.round(aimed / step) * step, 6)
    return np.where(grams > 0, np.maximum(shown, step), 0.0)


def _weighed(trial, round_: Round, rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame]:
    recipe, step = trial.recipe, trial.batch.balance_step_g
    melts = round_.melt_sheet() if recipe.pot else pd.DataFrame({"melt": []})
    pot = [grams_column(i) for i in recipe.pot if recipe.pot and len(melts)]
    if pot:
        melts[pot] = _hand(melts[pot].to_numpy(dtype=float) * SPARE, step, rng)
    pours = round_.pour_sheet().drop(columns="order")
    grams = [c for c in pours.columns if c.endswith(" [g]")]
    pours[grams] = _hand(pours[grams].to_numpy(dtype=float), step, rng)
    for setting in recipe.setting_list:
        reach = KETTLE * (setting.high - setting.low)
        pours[setting.name] = np.round(pours[setting.name] + rng.normal(0, reach, len(pours)), 1 if reach > 0.1 else 3)
    return (melts.assign(date="", note="")[list(melt_columns(recipe))],
            pours.reindex(columns=[c for c in pour_columns(recipe) if c in pours.columns]))


# Table

def _served(trial, pours: list[str], session: int, names: Sequence[str], rng: np.random.Generator) -> pd.DataFrame:
    """Each tester meets every pour once, in an order of their own, each serving under a code of its own."""
    codes = iter(_codes(trial.servings["code"], len(names) * len(pours), rng))
    rows = [(str(session), "", tester, str(position), next(codes), pour) for tester in names
            for position, pour in enumerate(rng.permutation(pours), start=1)]
    return pd.DataFrame(rows, columns=list(SERVING_COLUMNS))


def _codes(used: Sequence[str], count: int, rng: np.random.Generator) -> list[str]:
    """Codes that the trial has not used: three digits, four when those run out."""
    for low, high in ((100, 1000), (1000, 10_000)):
        free = sorted(set(map(str, range(low, high))) - set(used))
        if len(free) >= count:
            return list(rng.choice(free, size=count, replace=False))
    raise RehearsalError(f"there are not enough codes left for {count} servings. Rehearse fewer rounds or testers.")


def _scored(trial, made: pd.DataFrame, world: World, servings: pd.DataFrame, names: Sequence[str],
            rng: np.random.Generator) -> pd.DataFrame:
    """Scores of a round by tester, in the order of their servings."""
    attributes = list(trial.attributes)
    truth = world.truth_at(made[list(trial.recipe.coordinates)], attributes)
    tables = []
    for name in attributes:
        attribute = trial.attributes[name]
        values = truth[name] + _scatter(made, _amount(world.sd_round, name), _amount(world.sd_melt, name),
                                        _amount(world.sd_pour, name), rng)
        level = _by_tester(world.levels, names, name, what="levels", neutral=0.0)
        slope = _by_tester(world.slopes, names, name, what="slopes", neutral=1.0)
        who = [names.index(t) for t in servings["tester"]]
        middle = (attribute.low + attribute.high) / 2
        said = (middle + (slope / slope.mean())[who] * (values.loc[servings["pour"]].to_numpy() - middle)
                + (level - level.mean())[who] + rng.normal(0, _amount(world.sd_tester_pour, name), len(servings)))
        scores = servings[["pour", "tester", "session", "position"]].copy()
        scores["attribute"], scores["score"] = name, _read(said, attribute, world.step)
        tables.append(scores)
    scores = pd.concat(tables, ignore_index=True)
    scores["row"] = np.tile(np.arange(len(servings)), len(attributes))
    return scores.sort_values("row", kind="stable", ignore_index=True)[list(SCORE_COLUMNS[:6])]


def _scatter(made: pd.DataFrame, sd_round: float, sd_melt: float, sd_pour: float, rng) -> np.ndarray:
    """What the round, each melt and each pour add to the truth."""
    melts, which = np.unique(made["melt"].to_numpy(dtype=str), return_inverse=True)
    return rng.normal(0, sd_round) + rng.normal(0, sd_melt, len(melts))[which] + rng.normal(0, sd_pour, len(made))


def _amount(amounts: Amount, attribute: str) -> float:
    return float(amounts.get(attribute, 0.0) if isinstance(amounts, Mapping) else amounts)


def _by_tester(given, names: Sequence[str], attribute: str, *, what: str, neutral: float) -> np.ndarray:
    """Levels or slopes as one value a tester."""
    if given is None:
        return np.full(len(names), neutral)
    if isinstance(given, pd.DataFrame):
        given = given[attribute] if attribute in given.columns else None
        return np.full(len(names), neutral) if given is None else _by_tester(
            dict(given), names, attribute, what=what, neutral=neutral)
    if isinstance(given, Mapping):
        return np.array([float(given.get(name, neutral)) for name in names])
    values = np.atleast_1d(np.asarray(given, dtype=float))
    values = np.full(len(names), values[0]) if np.ndim(given) == 0 else values
    if len(values) < len(names):
        raise RehearsalError(f"the world has {what} for {len(values)} testers, but {len(names)} are asked for. "
                             "Give a value for each of them.")
    return values[:len(names)]


def _read(values: np.ndarray, attribute, step: float) -> np.ndarray:
    """A score as it is written down: to the nearest step, on the scale."""
    steps = np.round((values - attribute.low) / step) * step + attribute.low if step else values
    return np.round(np.clip(steps, attribute.low, attribute.high), 6)


# A whole trial

def rehearse(trial, world: World, rounds: int = 3, pours: int = 4, melts: int = 2, testers: int | Sequence[str] = 6,
             seed: int = 3) -> pd.DataFrame:
    """Play some rounds of a trial: plan the first, follow `suggest_next` from then on.

    Returns a frame, a row a round: pours, melts and cost so far; the coordinates it would settle on after the round; a
    column `truth: <attribute>` for each attribute there; desirability at that truth, best possible, and their ratio;
    the desirability that the kit predicted with its 90 % interval; what it expected of the next round, and whether it
    said stop. Rounds that the trial has
    already are kept and count in the fit, not in the cost.
    """
    check_whole(rounds, name="rounds", low=1, high=99, error=RehearsalError)
    best = best_possible(trial, world)
    rows, spent, tweak = [], np.zeros(3, dtype=int), _first(trial, pours, melts, seed)
    for k in range(rounds):
        round_ = tweak.round if hasattr(tweak, "round") else tweak
        trial = play_round(trial, round_, world, testers, seed).onto(trial, round_)
        tweak = suggest_next(trial, pours=pours, melts=melts, seed=seed + k + 1)
        spent += [1, len(round_.melts), len(round_.pours)]
        rows.append(_row(trial, world, round_, tweak, spent, best))
    return pd.DataFrame(rows)


def _first(trial, pours: int, melts: int, seed: int):
    if len(trial.standing_scores):
        return suggest_next(trial, pours=pours, melts=melts, seed=seed)
    from labkit.planning import plan_round

    return plan_round(trial, pours=pours, melts=min(melts, pours) if trial.recipe.pot else None, seed=seed)


def _row(trial, world: World, round_: Round, tweak, spent: np.ndarray, best: float) -> dict:
    """One line of the rehearsal."""
    settled = tweak.best[list(trial.recipe.coordinates)]
    truth = world.truth_at(settled, list(trial.attributes))
    reached = float(desirability_of(trial.attributes, truth)[0])
    predicted = tweak.predictions.set_index("attribute").loc["desirability"]
    cost = trial.cost.of(rounds=int(spent[0]), melts=int(spent[1]), pours=int(spent[2]))
    return {"round": round_.number, "pours": int(spent[2]), "melts": int(spent[1]), "cost": cost,
            **settled.iloc[0].to_dict(), **{f"truth: {name}": float(truth[name].iloc[0]) for name in truth.columns},
            "desirability": reached, "best possible": best, "ratio": reached / best if best > 0 else np.nan,
            "predicted": predicted["mean"], "low": predicted["low"], "high": predicted["high"],
            "expected gain": tweak.expected_gain, "stop": tweak.stop}


def best_possible(trial, world: World, points: int = 8192, seed: int = 0) -> float:
    """The highest desirability of the truth within the region: a dense sample, then refined about its best points."""
    attributes = list(trial.attributes)

    def value_of(coordinates: pd.DataFrame) -> np.ndarray:
        return desirability_of(trial.attributes, world.truth_at(coordinates, attributes))

    start = pd.concat([trial.region.corners(), trial.region.sample(points, seed=seed)], ignore_index=True)
    return float(highest(trial.region, value_of, start, seed=seed, generations=16, brood=400)[1].max())
