"""A whole trial played: what each round cost and what it reached."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from labkit.checks import MOST_SUGGESTED, check_size, check_type, check_whole
from labkit.errors import RehearsalError
from labkit.records import check_wanted
from labkit.rehearsal.playing import play_round
from labkit.rehearsal.table import tester_names
from labkit.rehearsal.world import World
from labkit.rounds import Round
from labkit.scores import known_ids
from labkit.trial import check_trial
from labkit.tweaks import desirability_of, highest, suggest_next
from labkit.tweaks.words import HOLDS


def rehearse(trial, world: World, rounds: int = 3, pours: int = 4, melts: int = 2, testers: int | Sequence[str] = 6,
             seed: int = 3) -> pd.DataFrame:
    """Play some rounds of a trial as `suggest_next` plans them, the first of all to teach the most.

    Returns a frame, a row a round: pours, melts and cost so far; the coordinates it would settle on after the round; a
    column `truth: <attribute>` for each attribute there; desirability at that truth, best possible, and their ratio;
    the desirability that the kit predicted with its 90 % interval (blank while fewer than two pours are scored); what
    it expected of the next round, and whether it said stop. Rounds that the trial has already are kept and count in the
    fit, not in the cost.

    Where pours of the world may fail there are three columns more: `holds`, the true chance that the settled formula
    holds, `predicted to hold`, what the kit says of it, and `failed`, pours so far that did. Desirability is then that
    of the truth times the chance of holding, both where it settles and in the best possible: what one would get on
    average from pouring it once.
    """
    rounds = check_whole(rounds, name="rounds", low=1, high=99, error=RehearsalError)
    seed = check_whole(seed, name="seed", low=0, high=2**32 - 1 - rounds, error=RehearsalError)
    check_trial(trial, error=RehearsalError)
    check_type(world, World, name="world", advice="Give a labkit.World.", error=RehearsalError)
    pours, melts = check_sizes(pours, melts)
    testers = tester_names(testers, known_ids(trial.servings, trial.scores)["tester"])
    best = best_possible(trial, world)
    before, rows, spent = len(trial.failed), [], np.zeros(3, dtype=int)
    tweak = suggest_next(trial, pours=pours, melts=melts, seed=seed)
    for k in range(rounds):
        round_ = tweak.round
        trial = play_round(trial, round_, world, testers, seed).onto(trial, round_)
        tweak = suggest_next(trial, pours=pours, melts=melts, seed=seed + k + 1)
        spent += [1, len(round_.melts), len(round_.pours)]
        rows.append(_row(trial, world, round_, tweak, spent, best)
                    | ({} if world.fails is None else {"failed": len(trial.failed) - before}))
    return pd.DataFrame(rows)


def check_sizes(pours: object, melts: object) -> tuple[int, int]:
    """Pours and melts of each round, as many as `suggest_next` plans."""
    return tuple(check_size(value, name=name, most=MOST_SUGGESTED, error=RehearsalError)
                 for name, value in (("pours", pours), ("melts", melts)))


def _row(trial, world: World, round_: Round, tweak, spent: np.ndarray, best: float) -> dict:
    """One line of the rehearsal."""
    settled = tweak.best[list(trial.recipe.coordinates)]
    truth = world.truth_at(settled, list(trial.attributes))
    holds = float(world.holds_at(settled)[0])
    reached = float(desirability_of(trial.attributes, truth)[0]) * holds
    predicted = tweak.predictions.set_index("attribute").reindex(["desirability"]).iloc[0].astype(float)
    cost = trial.cost.of(rounds=int(spent[0]), melts=int(spent[1]), pours=int(spent[2]))
    return {"round": round_.number, "pours": int(spent[2]), "melts": int(spent[1]), "cost": cost,
            **settled.iloc[0].to_dict(), **{f"truth: {name}": float(truth[name].iloc[0]) for name in truth.columns},
            "desirability": reached, "best possible": best, "ratio": reached / best if best > 0 else np.nan,
            "predicted": predicted["mean"], "low": predicted["low"], "high": predicted["high"],
            "expected gain": tweak.expected_gain, "stop": tweak.stop,
            **({} if world.fails is None else {"holds": holds, "predicted to hold": _told_to_hold(tweak)})}


def _told_to_hold(tweak) -> float:
    """The chance of holding that the kit predicted; nan while no pour has failed, when it says nothing of it."""
    return float(tweak.predictions.set_index("attribute")["mean"].get(HOLDS, np.nan))


def best_possible(trial, world: World, points: int = 8192, seed: int = 0) -> float:
    """The highest desirability of the truth, times the chance of holding, in the region: a dense sample, refined."""
    check_wanted(trial, error=RehearsalError)
    attributes = list(trial.attributes)

    def value_of(coordinates: pd.DataFrame) -> np.ndarray:
        return desirability_of(trial.attributes, world.truth_at(coordinates, attributes)) * world.holds_at(coordinates)

    start = pd.concat([trial.region.corners(), trial.region.sample(points, seed=seed)], ignore_index=True)
    return float(highest(trial.region, value_of, start, seed=seed, generations=16, brood=400)[1].max())
