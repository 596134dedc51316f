"""Worlds that fit what a trial has seen so far: each is one draw of what is still open."""

from collections.abc import Callable, Iterable, Iterator, Mapping

import numpy as np
import pandas as pd

from labkit.errors import RehearsalError
from labkit.records import check_wanted
from labkit.rehearsal.table import tester_names
from labkit.rehearsal.world import World
from labkit.surfaces import any_failed, fit_failing, fit_surfaces
from labkit.surfaces.fitting import read_nothing
from labkit.surfaces.ground import Ground
from labkit.surfaces.posterior import OWN
from labkit.tweaks.outlook import APART, DOUBTED, IN_USE, desirability_of
from labkit.tweaks.suggest import FAINT
from labkit.tweaks.worth import jury_of

TESTERS = 99                   # for whom a world has levels
ATTEMPTS = 200                 # truths drawn to find a credible one
STEPS = (2, 1)                 # half points: scores are read to the largest step that all so far are multiples of
SOURCES = ("round", "melt", "pour", "tester", "tester_pour", "reading")


def worlds_of(trial) -> Callable[[int], World]:
    """seed -> World: the truth is one joint posterior draw of all surfaces, the scatter is what they found.

    Rounds, melts, pours and tastings scatter with their posterior medians; what is a formula's own belongs to the
    truth. Testers' levels are drawn with the median of what the panel found, slopes are one. Once a pour has failed,
    the chance of failing is a draw as well. An attribute that nobody has judged yet is drawn from its prior, `expect`
    included, with the noise that the trial states: so also a trial without a single score can be rehearsed.

    The starting formula is held to be of use as in `suggest_next`: of worlds in which it gives less than IN_USE of all
    that is wanted one in ten is taken (DOUBTED); before anything is judged, none in which its scores give nothing.
    """
    check_wanted(trial, error=RehearsalError)
    surfaces = fit_surfaces(trial) if len(trial.judged) else {}
    ground = next(iter(surfaces.values())).ground if surfaces else Ground.of(trial)
    posteriors, noise = _posteriors(trial, surfaces, ground), _noise(trial, surfaces)
    failing, step = fit_failing(trial, ground) if any_failed(trial) else None, _steps(trial)
    names = list(dict.fromkeys([*tester_names(TESTERS), *sorted(trial.standing_scores["tester"])]))

    def world(seed: int) -> World:
        fails = None if failing is None else lambda points: failing.draws(points, n=1, seed=seed)[0]
        draws = (_truth(posteriors, ground, seed, attempt) for attempt in range(ATTEMPTS))
        truth = next(_credible(trial, draws, fails, seed), None)
        if truth is None:
            raise RehearsalError(f"in none of {ATTEMPTS} worlds does the starting formula give anything of what is "
                                 "wanted. Check the points of each wanted in trial.toml, or give a World.")
        rng = np.random.default_rng([seed, 97])
        levels = {name: sd["tester"] * rng.standard_normal(len(names)) for name, sd in noise.items()}
        sds = {f"sd_{source}": {name: sd[source] for name, sd in noise.items()}
               for source in SOURCES if source != "tester"}
        return World(truth=truth, levels=pd.DataFrame(levels, index=names), step=step,
                     fails=fails, **sds)

    return world


def _posteriors(trial, surfaces: Mapping[str, object], ground) -> dict[str, object]:
    """By attribute what is known of its surface, or what is believed before anything is."""
    return {name: surfaces[name].posterior if name in surfaces else read_nothing(ground, attribute)
            for name, attribute in trial.attributes.items()}


def _truth(posteriors: Mapping[str, object], ground, seed: int, attempt: int) -> Callable[[pd.DataFrame], pd.DataFrame]:
    first = int(np.random.default_rng([seed, 103, attempt]).integers(2**31))

    def truth(points: pd.DataFrame) -> pd.DataFrame:
        columns = ground.columns(points)
        found = {name: posterior.draws(columns, 1, first + APART * k, double=True)[0]
                 for k, (name, posterior) in enumerate(posteriors.items())}
        return pd.DataFrame(found, index=points.index)

    return truth


def _credible(trial, truths: Iterable[Callable], fails: Callable | None, seed: int) -> Iterator[Callable]:
    """Truths in which one would develop from the starting formula, and DOUBTED of the others.

    A starting formula outside the limits tells nothing once something is judged, as in `tweaks.outlook`.
    """
    start = trial.recipe.starting_factors[list(trial.recipe.coordinates)]
    holds = 1.0 if fails is None else 1 - float(np.clip(fails(start)[0], 0, 1))
    rng, judged = np.random.default_rng([seed, 107]), bool(len(trial.judged))
    outside = not trial.region.includes(start)[0]
    for truth in truths:
        desired = float(desirability_of(trial.attributes, truth(start))[0])
        in_use = holds * desired >= IN_USE or (holds < IN_USE and not judged)       # where none can be, all are alike
        if (desired > FAINT or judged) and (in_use or outside or rng.random() < DOUBTED):
            yield truth


def _noise(trial, surfaces: Mapping[str, object]) -> dict[str, dict[str, float]]:
    """attribute -> source -> standard deviation, as found or as stated, without what is a formula's own."""
    found, shared = {}, jury_of(surfaces).noise
    for name in trial.attributes:
        known = dict(surfaces[name].noise["found"]) if name in surfaces else trial.noise_of(name)
        sd = {source: float(known.get(source, 0.0)) for source in SOURCES}
        sd["pour"] = shared[name]["pour"] if name in shared else sd["pour"] * np.sqrt(1 - OWN)
        found[name] = {source: float(value) for source, value in sd.items()}
    return found


def _steps(trial) -> dict[str, float]:
    scores = trial.standing_scores
    return {name: _step_of(a, scores.loc[scores["attribute"] == name, "score"].to_numpy(dtype=float))
            for name, a in trial.scored_attributes.items()}


def _step_of(attribute, scores: np.ndarray) -> float:
    """The step to which an attribute is scored; half points where nobody has, 0 where scores are not rounded so."""
    if not len(scores):
        return attribute.half_point
    steps = [times * attribute.half_point for times in STEPS]
    return next((step for step in steps if np.allclose(np.round(scores / step), scores / step, atol=1e-6)), 0.0)
