"""What a round is worth: simulate what its pours would score, settle anew, and count what that gains."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from labkit.core import improvement
from labkit.surfaces.posterior import OWN
from labkit.tweaks.outlook import Outlook

SHARED = ("round", "melt", "pour")
BEST, OTHERS = 100, 300                       # points among which the best of a known world is sought


@dataclass(frozen=True, kw_only=True, eq=False)
class Jury:
    """The noise of the pour means of one round by attribute: round, melt, pour, and panel (the se of a pour's mean)."""

    noise: Mapping[str, Mapping[str, float]]

    def seen(self, scores: Mapping[str, np.ndarray], melts: np.ndarray, seed: int) -> list[np.ndarray]:
        """What the round would score in each drawn world: scores (n, pours) by attribute -> as many such arrays."""
        rng = np.random.default_rng([seed, 41])
        shared = (melts[:, None] == np.unique(melts)[None, :]).astype(float)
        columns = []
        for name, drawn in scores.items():
            sd, (n, pours) = self.noise[name], drawn.shape
            alone = np.hypot(sd["pour"], sd["panel"])
            columns.append(drawn + sd["round"] * rng.standard_normal((n, 1)) + alone * rng.standard_normal((n, pours))
                           + sd["melt"] * rng.standard_normal((n, shared.shape[1])) @ shared.T)
        return columns


def jury_of(surfaces: Mapping[str, object]) -> Jury:
    """Bench and panel as the surfaces found them: the next round is taken to be tasted by as many as a usual pour.

    Draws of a surface hold already what is a formula's own of the variation from pour to pour; the rest is noise. One
    tester cannot tell how scattered scores are, and a smooth surface can: what it multiplies the panel's part with
    counts here as in what is foretold of a confirmation.
    """
    noise = {name: {**surface.noise.loc[list(SHARED), "found"].to_dict(), "panel": _panel_of(surface)}
             for name, surface in surfaces.items()}
    for sd in noise.values():
        sd["pour"] *= np.sqrt(1 - OWN)
    return Jury(noise=noise)


def _panel_of(surface) -> float:
    """Standard error of a usual pour's mean, by the median of what the surface multiplies the panel's noise with."""
    return float(surface.scores["score_se"].median() * surface.posterior.stretch_quantiles((0.5,))[0])


@dataclass(frozen=True, kw_only=True, eq=False)
class Worth:
    """What one round brings: gain of desirability, spread of desirability at its pours before and after."""

    gain: float
    before: np.ndarray
    after: np.ndarray


def worth_of(outlook: Outlook, jury: Jury, pours: pd.DataFrame, melts: np.ndarray, targets: list[np.ndarray],
             **sizes) -> Worth:
    """`gain_of` a round, and how sure its pours are before it and after; to see more makes nothing less sure."""
    there, seen = _seen(outlook, jury, pours, melts)
    before = outlook.worth(there).std(axis=0, ddof=1)
    after = np.minimum(before, improvement.spread_after(there, seen, outlook.worth))
    return Worth(gain=_gain(outlook, there, seen, targets, sizes), before=before, after=after)


def gain_of(outlook: Outlook, jury: Jury, pours: pd.DataFrame, melts: np.ndarray, targets: list[np.ndarray],
            **sizes) -> float:
    """The expected gain of the formula one would settle on among some and the pours, once the round is scored.

    targets : what `outlook` knows of those formulas (`Outlook.known`). sizes : of `improvement.paid_by_world`.
    """
    return _gain(outlook, *_seen(outlook, jury, pours, melts), targets, sizes)


def _seen(outlook: Outlook, jury: Jury, pours: pd.DataFrame, melts: np.ndarray) -> tuple[list[np.ndarray], ...]:
    """What is known of the pours of a round, and what would be seen of them."""
    there = outlook.known(pours)
    seen = jury.seen(dict(zip(outlook.surfaces, there)), melts, outlook.seed)
    if outlook.failing is not None:
        seen = with_failures(seen, np.random.default_rng([outlook.seed, 43]).uniform(size=there[-1].shape) < there[-1])
    return there, seen


def _gain(outlook: Outlook, there: list[np.ndarray], seen: list[np.ndarray], targets: list[np.ndarray], sizes) -> float:
    known, worth = outlook.in_half_widths([np.hstack(pair) for pair in zip(there, targets, strict=True)])
    return improvement.value_of_seeing(known, seen, worth, precision=np.float32, **sizes)


def gain_if_known(outlook: Outlook, settled: pd.DataFrame, points: pd.DataFrame) -> float:
    """E[max_j D_j - D(settled)], j the best points and others from all over: the expected value of perfect information
    (Raiffa & Schlaifer 1961, ch. 4), more than which no number of rounds can bring.

    points : best first. What one round brings may be little where two or three together bring much: the value of
    information need not be concave (Frazier & Powell 2010, Decision Analysis 7:378-403).
    """
    others = np.random.default_rng([outlook.seed, 59]).permutation(len(points))[:OTHERS]
    draws = outlook.draws(pd.concat([settled, points.iloc[:BEST], points.iloc[others]], ignore_index=True))
    return improvement.joint_expected_improvement(draws, draws[:, 0])


def with_failures(seen: list[np.ndarray], held: np.ndarray) -> list[np.ndarray]:
    """What is seen where each pour holds or does not, (n, pours), in each world: scores, and which pours held.

    A pour that fails gives no scores: in its place stands the mean, from which a regression learns nothing.
    """
    return [*(np.where(held, scores, scores.mean(axis=0)) for scores in seen), held.astype(float)]
