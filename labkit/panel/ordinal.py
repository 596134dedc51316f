"""Scores read as mere order, beside their means: the cumulative logit."""

import warnings
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from labkit.attributes import decimals
from labkit.handing import hands_out_copies
from labkit.panel.comparisons import pairs_of
from labkit.panel.scored import Scored
from labkit.wording import Report, grid_of, heading, line, plural, report, words_joined

FEW_STEPS = 7          # different scores up to which the report reads them as order too
CLEAR = 1.645          # standard errors from which an order is clear (90 %)
HUGE = 12.0            # logits: estimates, or standard errors, beyond this have run away
NAMED = 3              # pairs told of in one sentence


class CumulativeLogit(NamedTuple):
    """Estimates and covariance of the columns, thresholds, log likelihood, and whether it settled."""

    estimates: np.ndarray
    covariance: np.ndarray
    thresholds: np.ndarray
    log_likelihood: float
    settled: bool


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class Ordinal:
    """By pour: effect in logits about their mean with se, and the mean; a sentence on whether the two agree.

    digits : decimals of the means in the report.
    """

    attribute: str
    frame: pd.DataFrame
    says: str
    digits: int = 2

    def to_frame(self) -> pd.DataFrame:
        return self.frame

    def _report(self) -> Report:
        return report(
            heading(f"{self.attribute} as mere order"),
            line(self.says),
            grid_of(self.frame, digits={"mean": self.digits}, index="pour",
                    title="By pour (effect and se in logits, mean on the scale)"),
        )

    def __str__(self) -> str:
        return self._report().as_text()

    def __repr__(self) -> str:
        order = plural(len(self.frame), "pour") if self.frame["effect"].notna().all() else "no order can be read"
        return f"<Ordinal of {self.attribute}: {order}>"

    def _repr_html_(self) -> str:
        return self._report().as_html()


def cumulative_logit(scores: np.ndarray, columns: np.ndarray) -> CumulativeLogit:
    """logit P(score <= j) = threshold_j - columns b, by maximum likelihood (statsmodels' OrderedModel).

    Source: McCullagh (1980) J. Royal Statistical Society B 42:109-142. `settled` is False where the estimates run away,
    as they do when some column parts the low scores from the high ones.
    """
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    codes = pd.Series(pd.Categorical(scores, ordered=True))
    model = OrderedModel(codes, columns, distr="logit")
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")                    # what they would say is in `settled`
        result = model.fit(method="bfgs", disp=False, maxiter=500, gtol=1e-6, skip_hessian=True)
    k = columns.shape[1]
    estimates, thresholds = np.asarray(result.params)[:k], model.transform_threshold_params(np.asarray(result.params))
    spread = _covariance(codes.cat.codes.to_numpy(), columns, estimates, thresholds)[:k, :k]
    ended = bool(np.isfinite(spread).all() and (np.diag(spread) > 0).all() and np.diag(spread).max() < HUGE**2
                 and np.abs(estimates).max() < HUGE)
    return CumulativeLogit(estimates=estimates, covariance=spread, log_likelihood=float(result.llf), settled=ended,
                           thresholds=thresholds[1:-1])


def _covariance(codes: np.ndarray, columns: np.ndarray, b: np.ndarray, thresholds: np.ndarray) -> np.ndarray:
    """Inverse of the observed information of (b, thresholds); NaN where there is none.

    With p = F(u) - F(v), u and v the thresholds above and below less columns b, F the logistic function, f its
    density and g the gradient, d2 log p = (f'(u) gu gu' - f'(v) gv gv') / p - gp gp' / p^2, gp = f(u) gu - f(v) gv.
    In closed form, since differences of the likelihood need not be definite where a threshold is hardly known.
    """
    from scipy.special import expit

    fitted, steps = columns @ b, np.eye(len(thresholds))[:, 1:-1]
    ends = []
    for at in (codes + 1, codes):
        share = expit(thresholds[at] - fitted)
        ends.append((share, share * (1 - share), np.hstack([-columns, steps[at]])))
    (up, fu, gu), (down, fv, gv) = ends
    p = up - down
    with np.errstate(all="ignore"):
        gp = (fu[:, None] * gu - fv[:, None] * gv) / p[:, None]
        bent = (gu.T * (fu * (1 - 2 * up) / p)) @ gu - (gv.T * (fv * (1 - 2 * down) / p)) @ gv
        information = gp.T @ gp - bent
    if not np.isfinite(information).all() or np.linalg.eigvalsh(information)[0] <= 0:
        return np.full_like(information, np.nan)
    return np.linalg.inv(information)


def steps_of(scored: Scored) -> int:
    """How many different scores were given."""
    return int(scored.scores["score"].nunique())


def read_as_order(scored: Scored) -> Ordinal:
    """Pours and testers in a cumulative logit, both about their mean, beside the adjusted means."""
    name, pours, testers = scored.attribute.name, scored.pours, scored.testers
    digits = decimals(2, scored.attribute.finer)
    blank = pd.DataFrame({"effect": np.nan, "se": np.nan, "mean": scored.adjusted.means},
                         index=pd.Index(pours, name="pour"))
    if steps_of(scored) < 2 or len(pours) < 2:
        return Ordinal(attribute=name, frame=blank, digits=digits,
                              says=f"{name} has too little in it to be read as mere order.")
    centred = _centred(len(pours))
    pour, tester = (pd.Categorical(scored.scores[c], categories=order).codes
                    for c, order in (("pour", pours), ("tester", testers)))
    columns = np.hstack([centred[pour], _centred(len(testers))[tester]])
    scores = scored.scores["score"].to_numpy(float)
    ended = _at_an_end(scores, pour) or _at_an_end(scores, tester)
    found = None if ended else cumulative_logit(scores, columns)
    if found is None or not found.settled:
        why = ("some pour or tester has only the highest or only the lowest scores." if ended else "pours and testers "
               "part low scores from high ones so cleanly that no size of their effects is too large.")
        return Ordinal(attribute=name, frame=blank, digits=digits,
                              says=f"{name} cannot be read as mere order: {why}")
    k = len(pours) - 1
    effects, covariance = centred @ found.estimates[:k], centred @ found.covariance[:k, :k] @ centred.T
    frame = blank.assign(effect=effects, se=np.sqrt(np.diag(covariance)))
    return Ordinal(attribute=name, frame=frame, digits=digits, says=_sentence(scored, effects, covariance))


def _at_an_end(scores: np.ndarray, codes: np.ndarray) -> bool:
    """True where some pour or tester has only the highest or only the lowest step: its effect has no bound."""
    groups = pd.Series(scores).groupby(codes)
    return bool((groups.min() == scores.max()).any() or (groups.max() == scores.min()).any())


def _centred(count: int) -> np.ndarray:
    """Rows of contrasts that add to nothing over `count` names."""
    return np.vstack([np.eye(count - 1), -np.ones((1, count - 1))])


def _sentence(scored: Scored, effects: np.ndarray, covariance: np.ndarray) -> str:
    pairs = pairs_of(scored)
    place = {pour: k for k, pour in enumerate(scored.pours)}
    first, second = pairs["pour"].map(place).to_numpy(), pairs["other"].map(place).to_numpy()
    variance = np.diag(covariance)[first] + np.diag(covariance)[second] - 2 * covariance[first, second]
    ordinal = (effects[first] - effects[second]) / np.sqrt(variance)
    metric = (pairs["difference"] / pairs["se"]).to_numpy()
    turned = (ordinal * metric < 0) & (np.maximum(np.abs(ordinal), np.abs(metric)) > CLEAR)
    name, clear = scored.attribute.name, np.abs(metric) > CLEAR
    lost = clear & ~turned & pairs["differ"].to_numpy() & (np.abs(ordinal) < 1)
    if not (turned | lost).any():
        return (f"Read as mere order, {name} puts the pours in the same order as the means wherever a difference "
                "is clear.")
    named = np.flatnonzero(turned | lost)
    parts = [f"{pairs['pour'][k]} and {pairs['other'][k]} (means "
             f"{scored.attribute.told(pairs['difference'][k], sign='+')}, order "
             f"{effects[first[k]] - effects[second[k]]:+.1f} logits)" for k in named[:NAMED]]
    parts += [plural(len(named) - NAMED, "other pair")] if len(named) > NAMED else []
    return (f"Read as mere order, {name} disagrees with the means on {words_joined(parts)}: look at the single scores "
            "before you trust either.")
