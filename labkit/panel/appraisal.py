"""Panel: what the scores of a trial say about testers and pours, attribute by attribute."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from types import MappingProxyType

import numpy as np
import pandas as pd

from labkit.aside import standing_scores
from labkit.attributes import only_read
from labkit.checks import check_choice
from labkit.core.levels import SPREAD
from labkit.errors import PanelError
from labkit.handing import fixed
from labkit.panel.comparisons import SITTING_COLUMNS, pairs_of, power_row, sitting_rows
from labkit.panel.flags import Oddities, oddities_of
from labkit.panel.ordinal import Ordinal, read_as_order
from labkit.panel.report import agree_sentence, lean_sentence, panel_report
from labkit.panel.scored import PRIORS, Scored
from labkit.trial import check_trial
from labkit.wording import noise_found, plural, words_joined

NOISE_NAMES = MappingProxyType({"tester": "testers", "tester_pour": "tester x pour"})


@dataclass(frozen=True, kw_only=True, eq=False)
class Panel:
    """What the testers can and cannot tell; frames are copies, an attribute without scores is not in them.

    unscored, all_aside : pours without a standing score, since nobody gave one or since all of them are set aside.
    by_instrument : attributes that an instrument reads, and no tester scores.
    """

    trial_name: str
    scored: Mapping[str, Scored]
    unscored: tuple[str, ...]
    all_aside: tuple[str, ...] = ()
    by_instrument: tuple[str, ...] = ()

    @cached_property
    def oddities(self) -> Mapping[str, Oddities]:
        """What looks odd, by attribute: found when it is first asked for, since surfaces do without."""
        return fixed({name: oddities_of(scored, attributes=len(self.scored))
                      for name, scored in self.scored.items()})

    @property
    def attributes(self) -> tuple[str, ...]:
        """The attributes that were scored, in the order of trial.toml."""
        return tuple(self.scored)

    @property
    def agreement(self) -> pd.DataFrame:
        """A row an attribute: how many, icc with 90 % limits and which it is, reliability of the pours' means,
        Kendall's W of those who scored every pour, and a rank test of whether the orders have anything in common (p of
        a balanced incomplete table, and of fewer than eight testers where it is no matter of course, by shuffling)."""
        return pd.DataFrame([_agreement_row(scored) for scored in self.scored.values()])

    @property
    def testers(self) -> pd.DataFrame:
        """A row a tester and attribute: scores, level [scale], use of the scale (1 = the panel's) with standard errors,
        correlation with the rest, standard deviation of own repeats, flags in plain words.

        slope : as expected of the next pours. Drawn towards 1 by what is not known, so off by least on average, but of
            a tester who uses half the scale it says too much.
        slope_alone : as scored. Right on average whatever the tester's use is, but it scatters more, and more with few
            pours; blank where it cannot be told.
        """
        return pd.concat([_tester_rows(scored, self.oddities[name]) for name, scored in self.scored.items()],
                         ignore_index=True)

    @property
    def pours(self) -> pd.DataFrame:
        """A row a pour and attribute: adjusted mean [scale], its se and 90 % interval, scores, testers, raw mean.

        The interval ends where the scale does, as no panel's mean lies beyond. An adjusted mean may, by a little, where
        testers who score low missed the pour: it is left as it is, for differences, and its interval reaches to it.
        """
        return pd.concat([_pour_rows(scored) for scored in self.scored.values()], ignore_index=True)

    @property
    def noise(self) -> pd.DataFrame:
        """A row an attribute and source: stated and found standard deviation [scale], 90 % limits, what it says."""
        return pd.DataFrame([row for scored in self.scored.values() for row in _noise_rows(scored)])

    @property
    def sittings(self) -> pd.DataFrame:
        """A row an attribute and effect (position, session, tester x session) that can be looked at: F test, words."""
        rows = [row for scored in self.scored.values() for row in sitting_rows(scored)]
        return pd.DataFrame(rows, columns=list(SITTING_COLUMNS))

    @property
    def power(self) -> pd.DataFrame:
        """A row an attribute: the difference between two pours [scale] that the letters show four times in five, and
        how many testers a tenth of the scale takes; all pairs of pours together, at the noise of a score as found."""
        return pd.DataFrame([power_row(scored) for scored in self.scored.values()])

    @property
    def flags(self) -> pd.DataFrame:
        """A row a flag: attribute, tester, pour (blank: all), kind, and a sentence."""
        frames = [odd.flags for odd in self.oddities.values()]
        return pd.concat([frame for frame in frames if len(frame)] or frames[:1], ignore_index=True)

    def means(self, attribute: str) -> tuple[pd.Series, pd.DataFrame]:
        """Adjusted means by pour, and their covariance: what testers and tester x pour leave open.

        The mean of a pour is what would be seen had every tester of the panel scored it. Variation from pour to pour,
        melt to melt and round to round is not in the covariance.
        """
        scored = self.scored_for(attribute)
        index = pd.Index(scored.pours, name="pour")
        means = pd.Series(scored.adjusted.means, index=index, name=attribute)
        return means, pd.DataFrame(scored.adjusted.covariance, index=index, columns=index.rename(None))

    def pairs(self, attribute: str) -> pd.DataFrame:
        """A row a pair of pours: difference [scale], se, family-wise 95 % limits and p, and whether they differ.

        They are pours that differ, as these testers score them; two pours of one formula may.
        """
        return pairs_of(self.scored_for(attribute))

    def ordinal(self, attribute: str) -> Ordinal:
        """The scores read as mere order (cumulative logit), and whether that agrees with the means."""
        return read_as_order(self.scored_for(attribute))

    def scored_for(self, attribute: str) -> Scored:
        """Everything that was worked out for one attribute."""
        check_choice(attribute, self.attributes, name="attribute", error=PanelError)
        return self.scored[attribute]

    def in_two_lines(self) -> list[str]:
        """Do they agree; who leans or looks odd: two sentences."""
        return [agree_sentence(self), lean_sentence(self)]

    def to_frame(self) -> pd.DataFrame:
        """The pours' means without display rounding."""
        return self.pours

    def _report(self):
        return panel_report(self)

    def __str__(self) -> str:
        return self._report().as_text()

    def _repr_html_(self) -> str:
        return self._report().as_html()

    def __repr__(self) -> str:
        testers = {tester for scored in self.scored.values() for tester in scored.testers}
        pours = {pour for scored in self.scored.values() for pour in scored.pours}
        return (f"<Panel of {self.trial_name}: {plural(len(testers), 'tester')}, {plural(len(pours), 'pour')}, "
                f"{words_joined(self.attributes)}>")


def appraise_panel(trial, *, prior: str = "weak") -> Panel:
    """Read the standing scores of a trial as a panel, attribute by attribute.

    score = pour (fixed) + tester (random) + tester x pour (random, with repeats); incomplete tables are welcome.
    prior : "weak" takes the trial's stated noise as the middle of a lognormal prior (two in three within a factor
        of two) beside the restricted likelihood; "flat" is restricted maximum likelihood alone, for people who check.
    A trial is frozen, so its panel is kept for the next call.
    """
    check_trial(trial, error=PanelError)
    check_choice(prior, PRIORS, name="prior", error=PanelError)
    return _appraised(trial, prior)


@lru_cache(maxsize=2)
def _appraised(trial, prior: str) -> Panel:
    scores, made = trial.standing_scores, trial.made
    if scores.empty and only_read(trial.attributes):
        raise PanelError(f"an instrument reads everything in {trial.name}, so there is no panel to appraise. "
                         "See what it reads in fit_surfaces(trial).")
    if scores.empty:
        raise PanelError(
            f"{trial.name} has no standing score, so there is no panel to appraise. "
            "Record scores with append_scores (or trial.with_scores), or take back what is set aside."
        )
    scored = {
        name: Scored.of(scores[scores["attribute"] == name], attribute=attribute, pours=made.index,
                         stated=trial.noise_of(name), prior=prior)
        for name, attribute in trial.attributes.items() if (scores["attribute"] == name).any()
    }
    said = set(standing_scores(trial.scores, trial.set_aside.iloc[:0])["pour"])
    left = [pour for pour in made.index[made["ok"]] if pour not in set(scores["pour"])]
    return Panel(
        trial_name=trial.name, scored=fixed(scored),
        unscored=tuple(pour for pour in left if pour not in said),
        all_aside=tuple(pour for pour in left if pour in said), by_instrument=tuple(trial.read_attributes),
    )


def _agreement_row(scored: Scored) -> dict:
    kind, icc = scored.icc()
    w, complete = scored.concordance()
    name, test = scored.rank_test()
    return {
        "attribute": scored.attribute.name, "testers": len(scored.testers), "pours": len(scored.pours),
        "scores": len(scored.scores), "icc": icc.estimate, "low": icc.low, "high": icc.high, "icc_from": kind,
        "reliability": scored.reliability, "kendall_w": w, "w_testers": complete, "test": name,
        "statistic": test.statistic, "df": test.df, "df2": test.df2, "p": test.p,
    }


def _tester_rows(scored: Scored, odd: Oddities) -> pd.DataFrame:
    flags, use = odd.flags, odd.use
    se = np.sqrt(np.maximum(np.diag(scored.adjusted.level_covariance), 0.0))
    counts = scored.cells.count
    return pd.DataFrame({
        "attribute": scored.attribute.name, "tester": list(scored.testers),
        "n": counts.sum(axis=0).astype(int), "pours": (counts > 0).sum(axis=0),
        "level": scored.adjusted.levels, "level_se": se,
        "slope": use.slope, "slope_se": use.slope_se,
        "slope_alone": use.alone, "slope_alone_se": use.alone_se, "alike": use.alike,
        "repeat_sd": [_repeat_sd(scored, tester) for tester in scored.testers],
        "flags": ["; ".join(flags.loc[flags["tester"] == tester, "says"]) for tester in scored.testers],
    })


def _repeat_sd(scored: Scored, tester: str) -> float:
    """Standard deviation of one tester's scores of the same pour, NaN where none was scored twice."""
    scores = scored.scores[scored.scores["tester"] == tester]
    groups = scores.groupby("pour")["score"]
    df = int((groups.size() - 1).sum())
    return float(np.sqrt(((scores["score"] - groups.transform("mean")) ** 2).sum() / df)) if df else np.nan


def _pour_rows(scored: Scored) -> pd.DataFrame:
    means, counts = scored.adjusted.means, scored.cells.count
    se = np.sqrt(np.maximum(np.diag(scored.adjusted.covariance), 0.0))
    reach, scale = scored.multiple * se, scored.attribute
    low, high = (np.clip(end, scale.low, scale.high) for end in (means - reach, means + reach))
    raw = scored.scores.groupby("pour")["score"].mean()
    return pd.DataFrame({
        "attribute": scored.attribute.name, "pour": list(scored.pours), "mean": means, "se": se,
        "low": np.minimum(low, means), "high": np.maximum(high, means),
        "n": counts.sum(axis=1).astype(int), "testers": (counts > 0).sum(axis=1),
        "raw_mean": raw.loc[list(scored.pours)].to_numpy(float),
    })


def _noise_rows(scored: Scored) -> list[dict]:
    noise = scored.noise
    found = {"tester": (noise.tester, noise.unsure_tester), "tester_pour": (noise.score, noise.unsure_score)}
    alone = {"says": "from the scores alone"} if scored.prior == "flat" else {}
    return [{
        "attribute": scored.attribute.name, "source": source, "stated": scored.stated[source],
        **noise_found(NOISE_NAMES[source], scored.stated[source], sd, unsure, SPREAD), **alone,
    } for source, (sd, unsure) in found.items()]
