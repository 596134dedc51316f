"""Trials without scores, and rounds that are wished for, for tests of planning."""
import functools

import numpy as np
import pytest
from definitions import TERRACOTTA

import labkit
from labkit.errors import PlanError


def trial_of(text):
    return labkit.Trial.from_toml(text)


def settings_only(factors, low=-1.0, high=1.0, more=""):
    """A process: one ingredient, everything else set on the bench."""
    names = "".join(f"[settings.x{k}]\nlow = {low}\nhigh = {high}\n" for k in range(1, factors + 1))
    text = f'[product]\nname = "Process"\n[formula]\n"mix" = "to 100"\n{names}{more}'
    return trial_of(text + "[attributes.yield]\nscale = [0, 100]\n")


def blend(low, high):
    """A mixture of parts p1, p2, ... of the whole batch."""
    names = [f"p{k}" for k in range(1, len(low) + 1)]
    start = (np.array(low) + np.array(high)) / np.sum(np.array(low) + np.array(high))
    formula = "".join(f'"{name}" = {100 * share}\n' for name, share in zip(names, start))
    text = f'[product]\nname = "Blend"\n[formula]\n{formula}[blends.base]\nparts = {names}\nlow = {low}\nhigh = {high}\n'
    return trial_of(text + "[attributes.strength]\n")


def coordinates(trial, round_):
    return round_.to_frame()[list(trial.recipe.coordinates)]


def refusal(trial, **wish):
    with pytest.raises(PlanError) as caught:
        labkit.plan_round(trial, **wish)
    return str(caught.value)


@functools.cache
def planned(wish):
    """The round of a wish (pairs of names and values), planned once for several tests."""
    return labkit.plan_round(trial_of(TERRACOTTA), **{k: dict(v) if isinstance(v, tuple) else v for k, v in wish})
