"""Worlds that fit what a trial has seen so far: each is one draw of what is still open."""

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd

from labkit.errors import RehearsalError
from labkit.rehearsal.table import tester_names
from labkit.rehearsal.world import World
from labkit.tweaks.outlook import APART
from labkit.tweaks.worth import jury_of
from labkit.wording import words_joined

TESTERS = 99                   # for whom a world has levels
STEPS = (1.0, 0.5)             # scores are read to the largest that all of a trial's scores are multiples of


def worlds_of(trial) -> Callable[[int], World]:
    """seed -> World: the truth is one joint posterior draw of all surfaces, the scatter is what they found.

    Rounds, melts, pours and tastings scatter with their posterior medians; what is a formula's own belongs to the
    truth. Testers' levels are drawn with the median of what the panel found, slopes are one. Once a pour has failed,
    the chance of failing is a draw as well. An attribute that nothing is wanted of and nobody has judged stands in the
    middle of its scale.
    """
    surfaces = _surfaces(trial)
    noise = _noise(surfaces)
    failing, step = _failing(trial, surfaces), _step(trial)
    names = [*tester_names(TESTERS), *sorted(set(trial.standing_scores["tester"]) - set(tester_names(TESTERS)))]

    def world(seed: int) -> World:
        rng = np.random.default_rng([seed, 97])
        levels = {name: sd * rng.standard_normal(len(names)) for name, sd in noise["tester"].items()}
        sds = {f"sd_{source}": noise[source] for source in ("round", "melt", "pour", "tester_pour", "reading")}
        fails = None if failing is None else lambda points: failing.draws(points, n=1, seed=seed)[0]
        return World(truth=_truth(trial, surfaces, seed), levels=pd.DataFrame(levels, index=names), step=step,
                     fails=fails, **sds)

    return world


def _surfaces(trial) -> Mapping[str, object]:
    from labkit.surfaces import fit_surfaces

    surfaces = fit_surfaces(trial) if len(trial.judged) else {}
    missing = [name for name, a in trial.attributes.items() if a.wanted is not None and name not in surfaces]
    if missing:
        raise RehearsalError(f"nothing is scored yet for {words_joined(missing)}, so no world can be drawn from this "
                             "trial. Give a World, or have a first round scored.")
    return surfaces


def _truth(trial, surfaces: Mapping[str, object], seed: int) -> Callable[[pd.DataFrame], pd.DataFrame]:
    def truth(points: pd.DataFrame) -> pd.DataFrame:
        found = {name: np.full(len(points), (a.low + a.high) / 2) for name, a in trial.attributes.items()}
        for k, (name, surface) in enumerate(surfaces.items()):
            found[name] = surface.draws(points, n=1, seed=seed + APART * k)[0]
        return pd.DataFrame(found, index=points.index)

    return truth


def _noise(surfaces: Mapping[str, object]) -> dict[str, dict[str, float]]:
    """source -> attribute -> standard deviation."""
    shared = jury_of(surfaces).noise
    found = {source: {name: float(sd[source]) for name, sd in shared.items()} for source in ("round", "melt", "pour")}
    for source in ("tester", "tester_pour", "reading"):
        found[source] = {name: float(surface.noise["found"].get(source, 0.0)) for name, surface in surfaces.items()}
    return found


def _failing(trial, surfaces: Mapping[str, object]):
    from labkit.surfaces import fit_failing

    return fit_failing(trial, next(iter(surfaces.values())).ground) if trial.failed else None


def _step(trial) -> float:
    scores = trial.standing_scores["score"].to_numpy(dtype=float)
    return next((step for step in STEPS if np.allclose(scores % step, 0)), 0.0)
