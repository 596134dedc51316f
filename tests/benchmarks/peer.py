"""The strong general-purpose peer: a Gaussian process an attribute, expected improvement of the composite.

y ~ GP(m, s^2 Matern 5/2 with a length scale a factor, .1 to 10 of the coded half range) + white noise, fitted by
scikit-learn with 5 restarts to the adjusted means. The first round is the starting formula and three formulas that fill
the region; each later round has the largest joint expected improvement of overall desirability, over the same candidates
and with the same local refinement as labkit's own, in the same number of melts. It settles on the formula of highest
expected desirability. Draws are functions: random Fourier features of the fitted kernel, corrected at the data (pathwise
conditioning, Wilson et al. 2020, ICML), so that they can be asked anywhere.
"""

import dataclasses
import warnings

import numpy as np
import pandas as pd
from sklearn.exceptions import ConvergenceWarning
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, Matern, WhiteKernel

from labkit import appraise_panel
from labkit.rounds import round_from_factors
from labkit.tweaks.looking import Bench, candidates, choose_round, in_pot_of, refined
from labkit.tweaks.outlook import Outlook
from labkit.tweaks.search import highest, starting_points

FEATURES = 1024
RESTARTS = 5


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Coded:
    """What all processes of a trial share: the coded coordinates of a formula."""

    region: object

    def columns(self, frame: pd.DataFrame) -> np.ndarray:
        return self.region.coded(frame)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Process:
    """One fitted attribute; `draws_at` and `predict` as a labkit surface has them."""

    ground: Coded
    fitted: GaussianProcessRegressor
    level: float
    low: float
    high: float

    @classmethod
    def of(cls, trial, ground: Coded, attribute, means: pd.Series, seed: int) -> "Process":
        coded = trial.region.coded(trial.made.loc[means.index, list(trial.recipe.coordinates)])
        kernel = (ConstantKernel(4.0, (0.01, 100)) * Matern(np.ones(coded.shape[1]), (0.1, 10), nu=2.5)
                  + WhiteKernel(0.25, (1e-3, 10)))
        fitted = GaussianProcessRegressor(kernel, n_restarts_optimizer=RESTARTS, random_state=seed)
        level = float(means.mean())
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ConvergenceWarning)
            fitted.fit(coded, means.to_numpy() - level)
        return cls(ground=ground, fitted=fitted, level=level, low=attribute.low, high=attribute.high)

    def predict(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Mean and 90 % interval of the function, white noise left out."""
        mean, sd = self.fitted.predict(self.ground.columns(frame), return_std=True)
        sd = np.sqrt(np.maximum(sd**2 - self.fitted.kernel_.k2.noise_level, 1e-12))
        return pd.DataFrame({"mean": np.clip(mean + self.level, self.low, self.high),
                             "low": np.clip(mean + self.level - 1.645 * sd, self.low, self.high),
                             "high": np.clip(mean + self.level + 1.645 * sd, self.low, self.high)}, index=frame.index)

    def draws_at(self, points: np.ndarray, n: int = 256, seed: int = 0) -> np.ndarray:
        weigh, turns, phase, size, gain, inner = self._drawn(n, seed)
        prior = size * np.cos(points @ turns + phase) @ weigh
        values = prior + inner(points, self.fitted.X_train_) @ gain
        return np.clip(values.T + self.level, self.low, self.high)

    def _drawn(self, n: int, seed: int):
        if not hasattr(self, "_kept"):
            object.__setattr__(self, "_kept", {})
        if (n, seed) not in self._kept:
            self._kept[n, seed] = self._functions(n, np.random.default_rng(seed))
        return self._kept[n, seed]

    def _functions(self, n: int, rng: np.random.Generator):
        inner, white = self.fitted.kernel_.k1, self.fitted.kernel_.k2.noise_level
        lengths = np.broadcast_to(inner.k2.length_scale, self.fitted.X_train_.shape[1])
        heavy = np.sqrt(5.0 / rng.chisquare(5, FEATURES))                       # spectrum of Matern 5/2: t with 5 df
        turns = rng.standard_normal((len(lengths), FEATURES)) * heavy / lengths[:, None]
        phase = rng.uniform(0, 2 * np.pi, FEATURES)
        size = np.sqrt(2 * inner.k1.constant_value / FEATURES)
        weigh = rng.standard_normal((FEATURES, n))
        at, y = self.fitted.X_train_, self.fitted.y_train_
        seen = size * np.cos(at @ turns + phase) @ weigh + np.sqrt(white) * rng.standard_normal((len(at), n))
        gain = np.linalg.solve(inner(at) + white * np.eye(len(at)), y[:, None] - seen)
        return weigh, turns, phase, size, gain, inner


def fit_processes(trial, seed: int) -> dict[str, Process]:
    panel, ground = appraise_panel(trial), Coded(region=trial.region)
    return {name: Process.of(trial, ground, attribute, panel.means(name)[0].astype(float), seed)
            for name, attribute in trial.attributes.items() if attribute.wanted is not None}


def first_round(trial, seed: int, pours: int = 4, melts: int = 2):
    """The starting formula and formulas that fill the region: each the farthest from those before, in few pots."""
    recipe, names = trial.recipe, list(trial.recipe.coordinates)
    sample = trial.region.sample(40, seed=seed)[names]
    points, pots = recipe.starting_factors[names].copy(), [0]
    while len(points) < pours:
        looked, pot_of = [], []
        if len(set(pots)) < melts:
            looked, pot_of = [sample], [np.full(len(sample), len(set(pots)))]
        if len(pots) >= melts or not looked:
            for pot in sorted(set(pots)):
                if pots.count(pot) < -(-pours // melts):
                    held, rows = points.iloc[[pots.index(pot)]], np.arange(len(sample))
                    looked.append(in_pot_of(recipe, held, sample, 0 * rows, rows)[names])
                    pot_of.append(np.full(len(sample), pot))
        pool, pot_of = pd.concat(looked, ignore_index=True), np.concatenate(pot_of)
        gap = np.abs(trial.region.coded(pool)[:, None] - trial.region.coded(points)[None])
        far = int(np.argmax(np.sqrt((gap**2).sum(axis=2)).min(axis=1)))
        points, pots = pd.concat([points, pool.iloc[[far]]], ignore_index=True), [*pots, int(pot_of[far])]
    order = np.argsort(pots, kind="stable")
    return _round(trial, points.iloc[order].reset_index(drop=True), np.array(pots)[order])


def next_step(trial, seed: int, pours: int = 4, melts: int = 2):
    """(processes, formula it would settle on, next round)."""
    processes = fit_processes(trial, seed)
    outlook = Outlook(attributes=trial.attributes, surfaces=processes, seed=seed)
    points, values = highest(trial.region, outlook.mean, starting_points(trial, {}, size=1000, seed=seed), seed=seed)
    bench = Bench(trial=trial, outlook=outlook, hold={})
    looked = candidates(bench, points, seed=seed)
    settled = outlook.draws(points.iloc[[0]])[:, 0]
    chosen = refined(bench, choose_round(looked, settled, size=(pours, melts)), settled, size=(pours, melts), seed=seed)
    order = np.argsort(chosen.pots, kind="stable")
    return processes, points.iloc[[0]], _round(trial, chosen.points.iloc[order].reset_index(drop=True),
                                               chosen.pots[order])


def _round(trial, points: pd.DataFrame, pots: np.ndarray):
    _, which = np.unique(pots, return_inverse=True)
    names = trial.next_melts(int(which.max()) + 1)
    return round_from_factors(trial.recipe, trial.batch, number=trial.next_round, coordinates=points,
                              melts=[names[k] for k in which], pours=trial.next_pours(len(points)))
