"""Which formulas do not set, break or sweat: the chance that a pour fails, learned from those that did."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import logit, xlogy

from labkit.aside import pours_aside, without_aside
from labkit.checks import check_type
from labkit.core.failing import FailingPosterior, FailingPrior, failing_posterior
from labkit.core.importance import weighted_quantiles
from labkit.errors import SurfaceError
from labkit.handing import hands_out_copies
from labkit.pours import standing_pours
from labkit.surfaces.asked import check_draws, check_level, check_points
from labkit.surfaces.effects import POINTS, at_both_ends, moved_by_each
from labkit.surfaces.ground import Ground
from labkit.trial import Trial, check_trial
from labkit.wording import Report, digits_of_range, grid_of, heading, line, plural, report, words_joined

# Before anything is known, one pour in twenty fails in the middle of the region (19 of 20 trials between 0.3 % and
# half), and the logit changes over the region with a root mean square of 2.5: the scale of Gelman, Jakulin, Pittau &
# Su 2008 for each of four factors (2.5 where a factor has a standard deviation of 0.5), as a normal. Among such scales
# it foretold rehearsed failures best, of 4 to 20 pours with a threshold in one factor or across two.
PRIOR = FailingPrior(level=float(logit(0.05)), spread=1.5, slope=2.5)
SURE = 0.95  # chance of its sign at which a factor is said to drive failing
ALIKE = 0.01  # of a factor's range: pours no further apart are one formula but for weighing, and no cut parts them
DRAWS = 1024  # behind an interval
EFFECTS = "Change of the logit of failing (90 % interval), and the chance that more of it fails more often"


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class Failing:
    """The chance of failing at any formula, averaged over what the outcomes so far leave open.

    made : by pour, coordinates (as weighed; as planned where a failed pour was not weighed), outcome, failed.
    Pours are taken as independent given their formulas: two pours of one spoilt pot count as two.
    """

    ground: Ground
    made: pd.DataFrame
    posterior: FailingPosterior

    def predict(self, frame: pd.DataFrame, level: float = 0.9) -> pd.DataFrame:
        """chance that a pour fails, low and high of that chance, at coordinates; the index is kept."""
        functions, tail = self._functions(frame), (1 - check_level(level)) / 2
        low, high = np.quantile(self.posterior.draws(functions, DRAWS, 0), [tail, 1 - tail], axis=0)
        chance = self.posterior.chance(functions)
        return pd.DataFrame({"chance": chance, "low": low, "high": high}, index=frame.index)

    def draws(self, frame: pd.DataFrame, n: int = 256, seed: int = 0) -> np.ndarray:
        """n draws (n, rows) of the chance of failing; draw k of n is the same function wherever it is asked."""
        return self.posterior.draws(self._functions(frame), *check_draws(n, seed))

    @property
    def effects(self) -> pd.DataFrame:
        """By coordinate: change of the logit from low to high, the others as they are (a part of a blend against the
        rest of it, as in the effects of a surface), low and high (90 %), and `more`, the chance that more of it fails
        more often."""
        ground, weights, slopes = self.ground, self.posterior.weights, self.posterior.coefficients[:, 1:]
        sample = ground.sample.iloc[:POINTS]
        moved = moved_by_each(ground, sample, slopes @ linear_functions(ground, sample).T)
        for place, name in enumerate(sample.columns):
            if (points := at_both_ends(ground, name)) is not None:
                low, _, high = linear_functions(ground, points).reshape(3, -1, slopes.shape[1]).mean(axis=1)
                moved[:, place] = slopes @ (high - low)
        low, high = np.array([weighted_quantiles(column, weights, (0.05, 0.95)) for column in moved.T]).T
        table = {"effect": weights @ moved, "low": low, "high": high, "more": weights @ (moved > 0)}
        return pd.DataFrame(table, index=sample.columns).rename_axis("coordinate")

    @property
    def driver(self) -> str | None:
        """The coordinate that drives failing, where the sign of its effect is sure enough to be said: of those in which
        the pours differ, once some have failed and some have held."""
        effects, bounds = self.effects, self.ground.trial.recipe.bounds.loc[self.effects.index]
        varies = (bounds["high"] > bounds["low"]) & (self.made[effects.index].nunique() > 1)
        sure = np.maximum(effects["more"], 1 - effects["more"]).where(varies, 0.5)
        return str(sure.idxmax()) if self.made["failed"].nunique() > 1 and sure.max() >= SURE else None

    def in_one_line(self) -> str:
        """`pours with less wax failed: 3 of 4 under wax 0.12, 0 of 8 over it`."""
        failed, name = int(self.made["failed"].sum()), self.driver
        if name is None:
            told = "; no factor can be told to drive it yet" if failed else ""
            return f"{failed} of {plural(len(self.made), 'pour')} failed{told}"
        more, (low, high) = bool(self.effects.at[name, "more"] > 0.5), self.ground.trial.recipe.bounds.loc[name]
        told = _split(self.made, name, more, ALIKE * (high - low))
        return f"pours with {'more' if more else 'less'} {name} failed: {told}"

    def to_frame(self) -> pd.DataFrame:
        """A row a pour: coordinates, outcome, the chance of failing that is now believed there, low, high."""
        found = self.predict(self.made[list(self.ground.trial.recipe.coordinates)])
        return pd.concat([self.made.drop(columns="failed"), found], axis=1).rename_axis("pour").reset_index()

    def _functions(self, frame: pd.DataFrame) -> np.ndarray:
        return linear_functions(self.ground, check_points(frame, self.ground.trial))

    def _report(self) -> Report:
        trial, told = self.ground.trial, self.in_one_line()
        lost = [pour for pour in self.made.index if pour not in trial.made.index]
        aside = [pour for pour in pours_aside(trial.set_aside) if pour in trial.failed]
        notes = {"Not weighed, or not in full, and counted as planned": lost,
                 "Failed, set aside, and not counted": aside}
        return report(heading("What fails"), line(f"{told[0].upper()}{told[1:]}."),
                      *[line(f"{note}: {words_joined(pours)}.") for note, pours in notes.items() if pours],
                      grid_of(self.effects, index="low to high", title=EFFECTS),
                      grid_of(self.to_frame(), digits=_digits(self.ground.trial.recipe.bounds)))

    def __str__(self) -> str:
        return self._report().as_text()

    def _repr_html_(self) -> str:
        return self._report().as_html()

    def __repr__(self) -> str:
        return f"<Failing: {self.in_one_line()}>"


def fit_failing(trial: Trial, ground: Ground | None = None) -> Failing:
    """The chance of failing, learned from the outcomes of all pours of a trial.

    ground : that of surfaces of the same trial, to save making it anew.
    """
    check_trial(trial, error=SurfaceError)
    check_type(ground, Ground | None, name="ground", advice="Give that of a surface of this trial, or leave it out.",
               error=SurfaceError)
    if ground is not None and (there := ground.trial.recipe.coordinates) != trial.recipe.coordinates:
        raise SurfaceError(f"the ground lies over {words_joined(there)}, but {trial.name} varies "
                           f"{words_joined(trial.recipe.coordinates)}. Give that of a surface of this trial, or leave "
                           "it out.")
    made = outcomes_of(trial)
    if not len(made):
        but = ", but for what is set aside" * bool(len(trial.pours))
        raise SurfaceError(f"no pour of {trial.name} is recorded{but}, so nothing is known about failing. "
                           "Record pours with append_pours (or trial.with_pours), then fit again.")
    ground = Ground.of(trial) if ground is None else ground
    functions = linear_functions(ground, made[list(trial.recipe.coordinates)])
    return Failing(ground=ground, made=made, posterior=failing_posterior(functions, made["failed"].to_numpy(), PRIOR))


def outcomes_of(trial: Trial) -> pd.DataFrame:
    """By pour: coordinates as weighed (as planned, where it failed before it was weighed), outcome, failed.

    A pour that is set aside as a whole tells nothing: what was dropped did not fail for what was in it.
    """
    names, plan = list(trial.recipe.coordinates), trial.plan.set_index("pour")
    made = trial.made[[*names, "outcome"]]
    lost = [name for name in trial.failed if name not in made.index and name in plan.index]
    if lost:
        outcome = standing_pours(trial.pours).set_index("pour").loc[lost, "outcome"]
        made = pd.concat([made, plan.loc[lost, names].astype(float).assign(outcome=outcome)])
    made = without_aside(made, trial.set_aside)
    return made.assign(failed=made["outcome"] != "ok")


def any_failed(trial: Trial) -> bool:
    """Whether some pour failed that tells of failing."""
    return bool(trial.failed) and bool(outcomes_of(trial)["failed"].any())


def linear_functions(ground: Ground, frame: pd.DataFrame) -> np.ndarray:
    """The linear functions of the trial's own coordinates, orthonormal over the region, (m, P)."""
    system = ground.systems[0]
    return system.basis.evaluate(ground.trial.region.coded(frame))[:, ground.linear]


def _digits(bounds: pd.DataFrame) -> dict[str, int]:
    """By coordinate, the decimals that tell a hundredth of its range."""
    return {name: max(0, digits_of_range(low, high)) if high > low else 2
            for name, low, high in zip(bounds.index, bounds["low"], bounds["high"], strict=True)}


def _split(made: pd.DataFrame, name: str, more: bool, alike: float = 0.0) -> str:
    """Where a cut tells failures best from the rest (binomial likelihood), and the counts on both sides of it.

    alike : what pours of one formula, or of one pot, may differ by; between such a cut is made only for want of others.
    """
    values, failed = made[name].to_numpy(), made["failed"].to_numpy()
    steps = np.unique(values)
    pairs = list(zip(steps[:-1], steps[1:], strict=True))
    cuts = [_between(low, high) for low, high in [(a, b) for a, b in pairs if b - a > alike] or pairs]
    beyond = [values > cut if more else values <= cut for cut in cuts]
    best = max(range(len(cuts)), key=lambda k: _fit_of(failed[beyond[k]]) + _fit_of(failed[~beyond[k]]))
    there, rest = failed[beyond[best]], failed[~beyond[best]]
    first, other = ("over", "under") if more else ("under", "over")
    return f"{there.sum()} of {len(there)} {first} {name} {cuts[best]:.15g}, {rest.sum()} of {len(rest)} {other} it"


def _between(low: float, high: float) -> float:
    """The middle of two values in three digits, or in as many as keep it between them."""
    middle = (low + high) / 2
    rounded = (float(f"{middle:.{digits}g}") for digits in range(3, 18))
    return next((cut for cut in rounded if low <= cut < high), middle)


def _fit_of(failed: np.ndarray) -> float:
    """Highest log-likelihood of some pours that share one chance."""
    k, n = failed.sum(), len(failed)
    return float(xlogy(k, k / n) + xlogy(n - k, 1 - k / n)) if n else 0.0
