"""`fit_surfaces`: one surface an attribute, with its hierarchical and its classical reading."""

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import pandas as pd

from labkit.attributes import Attribute
from labkit.checks import check_type
from labkit.core.adequacy import Comparison
from labkit.errors import SurfaceError
from labkit.handing import hands_out_copies
from labkit.panel import Panel, appraise_panel
from labkit.surfaces import telling
from labkit.surfaces.asked import check_draws, check_level, check_points
from labkit.surfaces.classical import Classical, models_of, read_classically
from labkit.surfaces.effects import Ends, bends_of, effects_of, ends_of
from labkit.surfaces.fitting import read_hierarchically
from labkit.surfaces.ground import Ground
from labkit.surfaces.instrument import read_by_instrument
from labkit.surfaces.posterior import SOURCES, Posterior
from labkit.trial import Trial, check_trial
from labkit.wording import Report, words_joined

FARTHEST = 1000  # ranges of a coordinate outside its limits; at ten times that, covariances lose all digits


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class Surface:
    """The response surface of one attribute: `predict` and `draws` read it hierarchically, `results` classically.

    scores: adjusted mean and se by pour. tasting: noise of testers as the panel found it; of an attribute that an
    instrument reads, mean over repeats, and noise of one reading, as found in repeats. The two models stand in
    `surfaces.posterior` and `surfaces.classical`.
    """

    attribute: str
    posterior: Posterior
    classical: Classical
    scores: pd.DataFrame
    tasting: pd.DataFrame

    def predict(self, frame: pd.DataFrame, level: float = 0.9) -> pd.DataFrame:
        """mean, se, low, high of the long-run mean score (many pours) at coordinates; the index is kept."""
        columns = self._columns(frame)
        mean, se = self.posterior.moments(columns)
        return self._told(frame, mean, se, self.posterior.interval(columns, check_level(level)))

    def predict_pour(self, frame: pd.DataFrame, level: float = 0.9) -> pd.DataFrame:
        """mean, se, low, high of one new pour, in a new melt of a new round, tasted by the whole panel many times."""
        columns = self._columns(frame)
        mean, se = self.posterior.moments(columns)
        se = np.sqrt(se**2 + self.posterior.variance_of_pour())
        return self._told(frame, mean, se, self.posterior.interval_of_pour(columns, check_level(level)))

    def draws(self, frame: pd.DataFrame, n: int = 256, seed: int = 0) -> np.ndarray:
        """n joint posterior draws (n, rows) of the long-run mean score.

        Draw k with one n and seed is one and the same function wherever it is asked, so calls can be put side by side.
        """
        return self.posterior.draws(self._columns(frame), *check_draws(n, seed), double=True)

    def draws_at(self, columns: np.ndarray, n: int = 256, seed: int = 0) -> np.ndarray:
        """`draws` at formulas whose functions `ground.columns` has found, in single precision."""
        return self.posterior.draws(columns, n, seed)

    @property
    def ground(self) -> Ground:
        """The functions of the region that all surfaces of the trial share."""
        return self.posterior.ground

    @property
    def results(self):
        """The statsmodels results of the classical reading."""
        return self.classical.results

    @property
    def anova(self) -> pd.DataFrame:
        """Where the variation lies: a row a part; see `Classical.anova`."""
        return self.classical.anova

    @property
    def r_squared(self) -> float:
        """R squared of the classical reading, about the mean also for a blend."""
        return self.classical.r_squared

    @property
    def press(self) -> float:
        """Sum of squared residuals of pours left out in turn; nan where one pour decides a term alone."""
        return self.classical.press

    @property
    def lack_of_fit(self) -> Comparison:
        """df, ss, f, p of what the residual holds beyond the spread of repeated formulas; nan without repeats."""
        row = self.classical.anova.loc["lack of fit"]
        return Comparison(ss=row["sum_of_squares"], df=int(row["df"]), f=row["f"], p=row["p"])

    @cached_property
    def noise(self) -> pd.DataFrame:
        """By source: stated (prior median), found (posterior), low, high (90 %), what the data say.

        Round, melt and pour; then tester and tester x pour, or where an instrument reads: reading.
        """
        rows = {s: telling.noise_row(self.posterior, s) for s in SOURCES}
        rows |= telling.tasting_rows(self.posterior, self.tasting)
        return pd.DataFrame.from_dict(rows, orient="index").rename_axis("source")

    @cached_property
    def effects(self) -> pd.DataFrame:
        """By coordinate: what going from low to high does on average over the region: effect, se, low, high (90 %).

        expected (+1, -1 or 0) and trust, the probability that the expectation still deserves its weight; no part, the
        probability that the coordinate plays none.
        """
        return effects_of(self.posterior, self._ends)

    @cached_property
    def bends(self) -> pd.DataFrame:
        """By coordinate: how far the middle of its range lies above its ends, on average; low, high (90 %)."""
        return bends_of(self.posterior, self._ends)

    @cached_property
    def _ends(self) -> Ends:
        return ends_of(self.posterior)

    def disagreements(self, frame: pd.DataFrame | None = None) -> list[str]:
        """Where the classical 90 % interval leaves out the hierarchical mean, at the pours or at the given formulas."""
        return telling.disagreements(self, None if frame is None else check_points(frame, self.posterior.ground.trial))

    def to_frame(self) -> pd.DataFrame:
        """A row a pour: score and its se, hierarchical mean, se, low, high, then the classical diagnostics."""
        points = self.classical.made
        table = pd.concat([self.scores, self.predict(points), self.classical.pours], axis=1)
        return table.rename_axis("pour").reset_index()

    def in_one_line(self) -> str:
        """The attribute's standing in one sentence."""
        return telling.one_line(self)

    def _report(self) -> Report:
        return telling.report_of(self)

    def __str__(self) -> str:
        return self._report().as_text()

    def _repr_html_(self) -> str:
        return self._report().as_html()

    def __repr__(self) -> str:
        return f"<Surface {self.in_one_line()}>"

    def _columns(self, frame: pd.DataFrame) -> np.ndarray:
        return self.posterior.ground.columns(check_points(frame, self.posterior.ground.trial))

    def _told(self, frame, mean, se, ends) -> pd.DataFrame:
        scale = self.posterior.attribute
        mean = np.clip(mean, scale.low, scale.high)
        return pd.DataFrame({"mean": mean, "se": se, "low": ends[0], "high": ends[1]}, index=frame.index)


class Surfaces(dict):
    """Surfaces by attribute; a name that has none is told with those that have one."""

    def __missing__(self, name: object):
        known = words_joined([repr(other) for other in self], last="or")
        raise SurfaceError(f"there is no surface of {name!r}, but of what was scored or read in this trial. Choose "
                           f"{known}.")


def fit_surfaces(trial: Trial, panel: Panel | None = None) -> dict[str, Surface]:
    """A surface for every attribute that has a scored or read pour, in the order of trial.toml.

    panel : what appraise_panel(trial) returned; appraised here where it is left out and there are scores. A trial is
    frozen, so what it was fitted to is kept for the next call.
    """
    check_trial(trial, error=SurfaceError)
    if panel is not None:
        check_type(panel, Panel, name="panel", advice="Give what appraise_panel(trial) returned.", error=SurfaceError)
    judged = set(trial.judged["attribute"])
    if not judged:
        raise SurfaceError(_nothing_to_fit(trial))
    if panel is not None:
        _check_same_scores(trial, panel)
    _check_within_reach(trial)
    panel = appraise_panel(trial) if panel is None and judged & set(trial.scored_attributes) else panel
    return Surfaces(_fitted(trial, panel))


def _check_same_scores(trial: Trial, panel: Panel) -> None:
    """The panel was appraised from the scores that stand: one from before a correction would bring back old ones."""
    there, here = pd.concat([scored.scores for scored in panel.scored.values()]), trial.standing_scores
    if sorted(map(tuple, there[here.columns].to_numpy())) != sorted(map(tuple, here.to_numpy())):
        raise SurfaceError(f"the panel was appraised from other scores than those that stand in {trial.name}. Give "
                           "what appraise_panel(trial) returns now, or leave it out.")


@lru_cache(maxsize=2)
def _fitted(trial: Trial, panel: Panel | None) -> dict[str, Surface]:
    judged = set(trial.judged["attribute"])
    ground = Ground.of(trial)
    models = models_of(trial.region)
    return {name: _surface(ground, models, attribute, panel)
            for name, attribute in trial.attributes.items() if name in judged}


def _check_within_reach(trial: Trial) -> None:
    """No pour lies so many ranges outside the limits that nothing of it could be told to the last digit."""
    bounds = trial.recipe.bounds.loc[list(trial.recipe.coordinates)]
    made = trial.made
    for name, (low, high) in bounds[bounds["high"] > bounds["low"]].iterrows():
        off = np.maximum(low - made[name], made[name] - high) / (high - low)
        if len(off) and off.max() > FARTHEST:
            pour = off.idxmax()
            raise SurfaceError(
                f"pour {pour} has {name} {made.at[pour, name]:.6g}, {off.max():.0f} times as far from {low:.9g} "
                f"to {high:.9g} as that is wide. Widen low and high of {name} in trial.toml, or give both one value.")


def _nothing_to_fit(trial: Trial) -> str:
    also = " or reading" if trial.read_attributes else ""
    how = " and readings with append_readings" if trial.read_attributes else ""
    return (f"no pour of {trial.name} has a standing score{also}, so there is nothing to fit. "
            f"Record scores with append_scores (or trial.with_scores){how}, then fit again.")


def _scored_by_panel(trial: Trial, attribute: Attribute, panel: Panel):
    """Adjusted means by pour, their covariance, and the noise of testers by source."""
    means, sampling = panel.means(attribute.name)
    pours = [pour for pour in trial.made.index if pour in means.index]
    tasting = panel.noise.query("attribute == @attribute.name").set_index("source")[list(telling.NOISE_COLUMNS)]
    return means.loc[pours].astype(float), sampling.loc[pours, pours], tasting


def _surface(ground: Ground, models, attribute: Attribute, panel: Panel | None) -> Surface:
    trial = ground.trial
    means, sampling, tasting = (read_by_instrument(trial, attribute) if attribute.is_read
                                else _scored_by_panel(trial, attribute, panel))
    pours = list(means.index)
    posterior = read_hierarchically(ground, attribute, means, sampling, telling.unsure_of(tasting))
    found = {s: float(posterior.noise_quantiles(s, (0.5,))[0]) for s in SOURCES}
    spread = sampling * float(posterior.stretch_quantiles((0.5,))[0]) ** 2
    classical = read_classically(trial.region, models, trial.made.loc[pours], means, spread, found)
    scores = pd.DataFrame({"score": means, "score_se": np.sqrt(np.diag(sampling))}, index=pours)
    return Surface(attribute=attribute.name, posterior=posterior, classical=classical, scores=scores, tasting=tasting)
