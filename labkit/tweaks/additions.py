"""Rounds that differ from the suggested one by a pour, a melt, or a repeat of the best pour."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from labkit.core import improvement
from labkit.rounds import Round
from labkit.tweaks.looking import Bench, Looked
from labkit.tweaks.search import poured_well
from labkit.tweaks.trying import Evening
from labkit.tweaks.words import AGAIN

COLOURS = 40                   # what is stirred in, tried with each pot of the round
NEWCOMER, NEW_MELT = "more", "new melt"


@dataclass(frozen=True, kw_only=True, eq=False)
class Around:
    """A round as it is weighed, and what may be added to it or put in its place.

    points, melts : the pours and the melt of each; settled : draws (n,) of desirability at the formula one would settle
    on now; looked : pots and colours worth trying; hold : coordinate -> value that was asked for.
    """

    bench: Bench
    points: pd.DataFrame
    melts: tuple[str, ...]
    settled: np.ndarray
    looked: Looked
    colours: pd.DataFrame
    hold: Mapping[str, float] = field(default_factory=dict)

    @classmethod
    def of(cls, bench: Bench, round_: Round, settled: pd.DataFrame, found: pd.DataFrame, looked: Looked,
           seed: int, hold: Mapping[str, float]) -> "Around":
        """settled : one row of coordinates; found : coordinates looked at before, best first."""
        points = round_.frame[list(bench.trial.recipe.coordinates)]
        rest = np.random.default_rng([seed, 59]).permutation(np.arange(min(10, len(found)), len(found)))
        colours = pd.concat([points, found.iloc[:10], found.iloc[rest[:COLOURS - 10]]], ignore_index=True)
        return cls(bench=bench, points=points.reset_index(drop=True), melts=tuple(round_.frame["melt"]),
                   settled=bench.outlook.draws(settled)[:, 0], colours=colours.drop_duplicates(ignore_index=True),
                   looked=looked, hold=hold)

    @property
    def own_pots(self) -> bool:
        """Whether every pour has a pot of its own."""
        return not self.bench.trial.recipe.pot

    @property
    def places(self) -> tuple[str, ...]:
        return tuple(str(k) for k in range(len(self.points)))

    @property
    def best(self) -> pd.DataFrame:
        """The best pour so far of those at what is held, one row under its name; empty before one stands that held."""
        trial = self.bench.trial
        made = poured_well(trial)
        if self.hold and len(made):
            recipe = trial.recipe
            made = made[np.diag(recipe.apart(made, recipe.held_at(made, self.hold))) < AGAIN]
        return made.iloc[[int(np.argmax(self.bench.outlook.mean(made)))]] if len(made) else made

    def as_it_is(self, **changed) -> Evening:
        """The round itself; `changed` : testers, tastings."""
        return Evening(points=self.points, melts=self.melts, places=self.places, **changed)

    def with_pour(self) -> list[Evening]:
        """One pour more: the formulas that promise most beside the round, and one of its pours once more."""
        if self.own_pots:
            looked, melts = self.looked, None
        else:
            first = [self.melts.index(melt) for melt in dict.fromkeys(self.melts)]
            looked = self.bench.crossed(self.points.iloc[first].reset_index(drop=True), self.colours)
            melts = [self.melts[k] for k in first]
        draws = self.bench.outlook.draws(self.points)
        floor = np.maximum(self.settled, draws.max(axis=1))
        again = int(np.argmax(draws.mean(axis=0)))
        found = [(looked.points.iloc[[j]], melts[looked.pots[j]] if melts else NEW_MELT)
                 for j in _highest(improvement.gains(looked.draws, floor), 2)]
        found.append((self.points.iloc[[again]], NEW_MELT if self.own_pots else self.melts[again]))
        return [self._replaced((), point, melt) for point, melt in found]

    def with_melt(self) -> list[Evening]:
        """One melt more for as many pours: a pour that shared its pot gets its own, as it was or another one."""
        out = [k for k, melt in enumerate(self.melts) if self.melts.count(melt) > 1]
        if self.own_pots or not out:
            return []
        draws, found = self.bench.outlook.draws(self.points), []
        for k in out:
            floor = np.maximum(self.settled, np.delete(draws, k, axis=1).max(axis=1))
            gains = improvement.gains(self.looked.draws, floor)
            j = int(np.argmax(gains))
            found.append((float(gains[j] + floor.mean()), k, self.looked.points.iloc[[j]]))
        found = sorted(found, key=lambda row: -row[0])[:2]
        same = max(out, key=lambda k: draws[:, k].mean())
        moved = Evening(points=self.points, places=self.places,
                        melts=tuple(NEW_MELT if k == same else melt for k, melt in enumerate(self.melts)))
        return [moved, *(self._replaced((k,), point, NEW_MELT) for _, k, point in found)]

    def with_repeat(self) -> list[Evening]:
        """The best pour so far again in place of a melt's pours; what else fits its pot fills the other places."""
        best = self.best
        if not len(best):
            return []
        draws, found = self.bench.outlook.draws(self.points), []
        best = best.reset_index(drop=True)
        for melt in dict.fromkeys(self.melts):
            out = tuple(k for k, name in enumerate(self.melts) if name == melt)
            kept = np.maximum(self.settled, np.delete(draws, out, axis=1).max(axis=1, initial=-np.inf))
            rest = self._in_pot_of_best(best, kept, len(out) - 1)
            if len(rest) == len(out) - 1:
                found.append(self._replaced(out, pd.concat([best, *rest], ignore_index=True), NEW_MELT))
        return found

    def _in_pot_of_best(self, best: pd.DataFrame, floor: np.ndarray, count: int) -> list[pd.DataFrame]:
        """The pours of the best pour's pot that promise most together; none where the limits let nothing in."""
        looked, found = self.bench.crossed(best, self.colours) if count else None, []
        for _ in range(count if count and len(looked.points) else 0):
            j = int(np.argmax(improvement.gains(looked.draws, floor)))
            found.append(looked.points.iloc[[j]])
            floor = np.maximum(floor, looked.draws[:, j])
        return found

    def _replaced(self, out: tuple[int, ...], points: pd.DataFrame, melt: str) -> Evening:
        """The round without some of its pours, and with other pours of one melt."""
        kept = [k for k in range(len(self.points)) if k not in out]
        return Evening(points=pd.concat([self.points.iloc[kept], points], ignore_index=True),
                       melts=(*(self.melts[k] for k in kept), *[melt] * len(points)),
                       places=(*(self.places[k] for k in kept), *(f"{NEWCOMER} {k}" for k in range(len(points)))))


def _highest(values: np.ndarray, count: int) -> list[int]:
    return [int(j) for j in np.argsort(-values, kind="stable")[:count]]
