"""One attribute as the panel scored it: noise, adjusted means, levels, use of the scale, agreement."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from labkit.attributes import Attribute
from labkit.core import agreement, levels, reliability, scale_use
from labkit.errors import PanelError
from labkit.handing import hands_out_copies
from labkit.wording import as_counted, plural

LEVEL = 0.9                    # of every interval here
PRIORS = ("weak", "flat")
FEW_TESTERS = 8                # fewer: chance is counted by shuffling and not by the chi-square of many
CLEAR = 0.001                  # what the chi-square itself puts below this, shuffling cannot tell more finely
SPREAD_OF_POURS = 0.15         # stated spread between pours, a part of the scale's width: weak, within a factor of 3


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class Scored:
    """The scores of one attribute and what they say; rows and columns of arrays are `pours` and `testers`."""

    attribute: Attribute
    pours: tuple[str, ...]
    testers: tuple[str, ...]
    scores: pd.DataFrame
    stated: dict[str, float]
    prior: str
    cells: levels.Cells
    noise: levels.Noise
    adjusted: levels.Adjusted

    def __repr__(self) -> str:
        return (f"<Scored {self.attribute.name}: {plural(len(self.scores), 'score')} by "
                f"{plural(len(self.testers), 'tester')}>")

    @classmethod
    def of(cls, scores: pd.DataFrame, *, attribute: Attribute, pours, stated: dict[str, float], prior: str):
        """From standing scores of one attribute; `pours` gives their order."""
        there = set(scores["pour"])
        pours = tuple(pour for pour in pours if pour in there)
        testers = tuple(as_counted(scores["tester"]))
        cells = levels.cells_of(
            pd.Categorical(scores["pour"], categories=pours).codes,
            pd.Categorical(scores["tester"], categories=testers).codes,
            scores["score"].to_numpy(float),
        )
        noise = _noise(cells, stated, prior, attribute.name)
        return cls(
            attribute=attribute, pours=pours, testers=testers, scores=scores.reset_index(drop=True), stated=stated,
            prior=prior, cells=cells, noise=noise, adjusted=levels.adjusted_means(cells, noise),
        )

    @property
    def all_equal(self) -> bool:
        """True where every score is the same."""
        return bool(np.ptp(self.scores["score"].to_numpy()) == 0)

    @property
    def table(self) -> np.ndarray:
        """Mean score by pour and tester, NaN where there is none."""
        return np.where(self.cells.count > 0, self.cells.mean, np.nan)

    @property
    def df(self) -> float:
        """Degrees of freedom of the noise of a score, those that the prior is worth included: 1 / (2 var log sd)."""
        return 0.5 / self.noise.unsure_score**2 if self.prior == "weak" else float(self.cells.df)

    @property
    def multiple(self) -> float:
        """How many standard errors an interval reaches to either side."""
        if self.prior == "weak":
            return levels.unsure_multiple(self.noise.unsure_score, level=LEVEL)
        return float(stdtrit(self.cells.df, 0.5 + LEVEL / 2))

    @property
    def stated_spread(self) -> float:
        return SPREAD_OF_POURS * self.attribute.width

    @cached_property
    def spread(self) -> float:
        """Standard deviation between pours."""
        return scale_use.spread_of_pours(self.adjusted, stated=self.stated_spread)

    @property
    def reliability(self) -> float:
        """Share of the variance between the pours' means that is not noise: v_P / (v_P + mean noise of a mean)."""
        n, covariance = len(self.pours), self.adjusted.covariance
        if n < 2 or self.all_equal:
            return np.nan
        noise = (np.trace(covariance) - covariance.sum() / n) / (n - 1)
        return float(self.spread**2 / (self.spread**2 + noise))

    def icc(self) -> tuple[str, agreement.Interval]:
        """Which icc, and the icc with limits: of a complete table ICC(2,1), else from the variance components.

        k testers are alike by -1 / (k - 1) at least, all pairs together; what few scores give beyond is told as that.
        """
        if len(self.testers) < 2 or len(self.pours) < 2 or self.all_equal:
            return "none", agreement.Interval(np.nan, np.nan, np.nan)
        if (self.cells.count == 1).all():
            found = agreement.intraclass_correlations(self.table, level=LEVEL)["ICC(2,1)"]
            least = -1 / (len(self.testers) - 1)
            return "ICC(2,1)", agreement.Interval(*(float(np.maximum(value, least)) for value in found))
        stated = {"pour": self.stated_spread, "tester": self.stated["tester"], "score": self.stated["tester_pour"]}
        noise = self.noise if self.prior == "weak" else _noise(self.cells, self.stated, "weak", self.attribute.name)
        found = reliability.icc_with_gaps(self.cells, noise, **stated, level=LEVEL)
        return "variance components", agreement.Interval(*found)

    def concordance(self) -> tuple[float, int]:
        """Kendall's W of the testers who scored every pour, and how many they are; NaN for fewer than two."""
        complete = self.table[:, (self.cells.count > 0).all(axis=0)]
        if min(complete.shape) < 2:
            return np.nan, complete.shape[1]
        return agreement.kendalls_w(complete)[0], complete.shape[1]

    def rank_test(self) -> tuple[str, agreement.RankTest]:
        """Do the testers' orders of the pours have anything in common? The test that suits the table.

        Of few testers the chi-square calls next to nothing an agreement: two of one mind on eight pours have .051.
        """
        table = self.table
        if min(table.shape) < 2:
            return "none", agreement.RankTest(np.nan, np.nan, np.nan, np.nan)
        if not np.isnan(table).any():
            return "Kendall's W", _counted(agreement.kendalls_w(table)[1], agreement.p_by_shuffling, table)
        if agreement.is_balanced_incomplete(table):
            return "Durbin", agreement.durbin(table)._replace(p=agreement.p_by_shuffling(table))
        found = agreement.skillings_mack(table)
        if not found.df:
            return "none", found._replace(p=np.nan)
        return "Skillings-Mack", _counted(found, agreement.skillings_mack_by_shuffling, table)

    def islands(self) -> list[list[str]]:
        """Groups of pours that no tester links to each other."""
        from scipy.sparse.csgraph import connected_components

        linked = (self.cells.count > 0).astype(float)
        count, groups = connected_components(linked @ linked.T, directed=False)
        return [[pour for pour, group in zip(self.pours, groups, strict=True) if group == k] for k in range(count)]


def _counted(found: agreement.RankTest, shuffled, table: np.ndarray) -> agreement.RankTest:
    """The test with its chance by shuffling, where testers are few and the chi-square does not do."""
    few = table.shape[1] < FEW_TESTERS and found.p > CLEAR
    return found._replace(p=shuffled(table)) if few else found


def _noise(cells: levels.Cells, stated: dict[str, float], prior: str, attribute: str) -> levels.Noise:
    if prior == "weak":
        return levels.noise_with_prior(cells, tester=stated["tester"], score=stated["tester_pour"])
    found = levels.noise_by_reml(cells)
    pours, testers = cells.count.shape
    if cells.df < 1 or not np.isfinite(found.score):
        raise PanelError(
            f"{attribute} has {plural(int(cells.count.sum()), 'score')} by {plural(testers, 'tester')} on "
            f"{plural(pours, 'pour')}, too few to tell the noise from the scores alone. Use prior='weak'."
        )
    return found
