"""What a panel, or an instrument, makes of the pours of a round.

    score = middle + slope_t (truth + round + melt + pour - middle) + level_t + (tester x pour), read to a step

`middle` is the middle of the scale. Levels are taken less their mean and slopes over their mean, so that the truth is
the long-run mean score of this panel. A reading is truth + round + melt + pour + its own scatter, on the scale.
"""

from collections.abc import Iterable, Mapping, Sequence
from itertools import count

import numpy as np
import pandas as pd

from labkit.checks import check_whole
from labkit.errors import RehearsalError
from labkit.readings import READING_COLUMNS
from labkit.rehearsal.world import USUAL, Amount, World
from labkit.scores import SCORE_COLUMNS, SERVING_COLUMNS, known_ids, other_spelling
from labkit.wording import words_joined

GRADES = 200                   # an instrument is read to a 200th of its scale


def tester_names(testers: int | Sequence[str], known: Iterable[str] = ()) -> list[str]:
    """Those given, or so many called T01, T02 ...; who is `known` as T1 is meant by T01."""
    if isinstance(testers, int | np.integer):
        check_whole(testers, name="testers", low=1, high=99, error=RehearsalError)
        named = [f"T{k:02d}" for k in range(1, testers + 1)]
        return [other_spelling(name, known) or name for name in named]
    if isinstance(testers, str) or not isinstance(testers, Iterable):
        raise RehearsalError(f"testers is {testers!r}. Give how many there are, or a list of their names.")
    names = [str(name) for name in testers]
    if not names:
        raise RehearsalError("testers names nobody. Give how many there are, or a list of their names.")
    double = next((name for k, name in enumerate(names) if name in names[:k]), None)
    if double is not None:
        raise RehearsalError(f"testers name {double!r} twice. Name each tester once.")
    return names


def served(trial, pours: list[str], number: int, names: Sequence[str], rng: np.random.Generator) -> pd.DataFrame:
    """Each tester meets every pour once, in an order of their own, each serving under a code of its own.

    The sitting has the number of the round, or where one is called so already the next that none is called.
    """
    codes = iter(_codes(trial.servings["code"], len(names) * len(pours), rng))
    known = known_ids(trial.servings, trial.scores)["session"]
    session = next(name for name in map(str, count(number)) if name not in known and not other_spelling(name, known))
    rows = [(session, "", tester, str(position), next(codes), pour) for tester in names
            for position, pour in enumerate(rng.permutation(pours), start=1)]
    return pd.DataFrame(rows, columns=list(SERVING_COLUMNS))


def _codes(used: Sequence[str], count: int, rng: np.random.Generator) -> list[str]:
    """Codes that the trial has not used: three digits, four when those run out."""
    for low, high in ((100, 1000), (1000, 10_000)):
        free = sorted(set(map(str, range(low, high))) - set(used))
        if len(free) >= count:
            return list(rng.choice(free, size=count, replace=False))
    raise RehearsalError(f"there are not enough codes left for {count} servings. Rehearse fewer rounds or testers.")


def scored(trial, made: pd.DataFrame, world: World, servings: pd.DataFrame, names: Sequence[str],
            rng: np.random.Generator) -> pd.DataFrame:
    """Scores of a round by tester, in the order of their servings."""
    attributes = list(trial.attributes)
    truth = world.truth_at(made[list(trial.recipe.coordinates)], attributes)
    tables = [pd.DataFrame(columns=[*SCORE_COLUMNS[:6], "row"])] * (not trial.scored_attributes)
    for name, attribute in trial.scored_attributes.items():
        values = truth[name] + _departures(made, world, attribute, rng)
        level = _by_tester(world.levels, names, name, what="levels", neutral=0.0)
        slope = _uses(world, names, name)
        who = [names.index(t) for t in servings["tester"]]
        middle = (attribute.low + attribute.high) / 2
        said = (middle + slope[who] * (values.loc[servings["pour"]].to_numpy() - middle)
                + (level - level.mean())[who] + rng.normal(0, _sd(world, "tester_pour", attribute), len(servings)))
        scores = servings[["pour", "tester", "session", "position"]].copy()
        scores["attribute"], scores["score"] = name, _read(said, attribute, _step(world, attribute))
        tables.append(scores)
    scores = pd.concat(tables, ignore_index=True)
    scores["row"] = np.tile(np.arange(len(servings)), len(trial.scored_attributes))
    return scores.sort_values("row", kind="stable", ignore_index=True)[list(SCORE_COLUMNS[:6])]


def read_off(trial, made: pd.DataFrame, world: World, rng: np.random.Generator) -> pd.DataFrame:
    """One reading of each pour for each attribute that an instrument reads."""
    truth = world.truth_at(made[list(trial.recipe.coordinates)], list(trial.attributes))
    tables = [pd.DataFrame(columns=list(READING_COLUMNS))]
    for name, attribute in trial.read_attributes.items():
        sd = trial.noise_of(name)["reading"] if world.sd_reading is None else _amount(world.sd_reading, name)
        values = truth[name] + _departures(made, world, attribute, rng) + rng.normal(0, sd, len(made))
        tables.append(pd.DataFrame({"pour": made.index, "method": attribute.reading, "direction": "up",
                                    "value": _read(values.to_numpy(), attribute, attribute.width / GRADES),
                                    "unit": attribute.unit, "repeat": ""}))
    return pd.concat(tables[1:] or tables, ignore_index=True)


def _departures(made: pd.DataFrame, world: World, attribute, rng: np.random.Generator) -> np.ndarray:
    """What round, melt and pour add to the truth of an attribute."""
    return scatter(made, *(_sd(world, source, attribute) for source in ("round", "melt", "pour")), rng)


def scatter(made: pd.DataFrame, sd_round: float, sd_melt: float, sd_pour: float, rng) -> np.ndarray:
    """What the round, each melt and each pour add to the truth."""
    melts, which = np.unique(made["melt"].to_numpy(dtype=str), return_inverse=True)
    return rng.normal(0, sd_round) + rng.normal(0, sd_melt, len(melts))[which] + rng.normal(0, sd_pour, len(made))


def _amount(amounts: Amount, attribute: str) -> float:
    return float(amounts.get(attribute, 0.0) if isinstance(amounts, Mapping) else amounts)


def _by_tester(given, names: Sequence[str], attribute: str, *, what: str, neutral: float) -> np.ndarray:
    """Levels or slopes as one value a tester: by name, or in order where they bear no names."""
    given = given.get(attribute) if isinstance(given, pd.DataFrame) else given
    if given is None:
        return np.full(len(names), neutral)
    if isinstance(given, pd.Series):
        given = given.to_list() if isinstance(given.index, pd.RangeIndex) else given.to_dict()
    if isinstance(given, Mapping):
        return np.array([float(given.get(name, neutral)) for name in names])
    values = np.atleast_1d(np.asarray(given, dtype=float))
    values = np.full(len(names), values[0]) if np.ndim(given) == 0 else values
    if len(values) < len(names):
        raise RehearsalError(f"the world has {what} for {len(values)} testers, but {len(names)} are asked for. "
                             "Give a value for each of them.")
    return values[:len(names)]


def _uses(world: World, names: Sequence[str], attribute: str) -> np.ndarray:
    """Slopes over their mean."""
    slopes = _by_tester(world.slopes, names, attribute, what="slopes", neutral=1.0)
    if not slopes.mean() > 0:
        raise RehearsalError(f"the slopes of the world are {slopes.mean():g} on average over {words_joined(names)}, so "
                             "that no truth is the mean of their scores. Give slopes with a mean above 0, such as 1.")
    return slopes / slopes.mean()


def _sd(world: World, source: str, attribute) -> float:
    """A standard deviation of the world; where it has none the usual part of this scale."""
    amounts = getattr(world, f"sd_{source}")
    return USUAL[source] * attribute.width if amounts is None else _amount(amounts, attribute.name)


def _step(world: World, attribute) -> float:
    return attribute.half_point if world.step is None else _amount(world.step, attribute.name)


def _read(values: np.ndarray, attribute, step: float) -> np.ndarray:
    """A score as it is written down: to the nearest step, on the scale."""
    steps = np.round((values - attribute.low) / step) * step + attribute.low if step else values
    return np.round(np.clip(steps, attribute.low, attribute.high), 6 + max(attribute.finer, 0))
