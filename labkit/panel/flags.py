"""What looks odd in the scores, in plain words. A flag never drops anything: setting aside is the maker's choice.

A tester is looked at first for the same score throughout, then for a reversed scale; single scores are judged against
the testers who remain, the furthest first; last comes the place in the sitting. All thresholds stand here. With 8
testers, a spread between pours of 1.5, a noise of .8 and scores in half points (600 panels; the clean ones were also
counted over 5,000, single scores only: .044 with 8 pours, .050 in whole points; the tests repeat smaller runs):

    pours  clean panel   reversed   constant   one score off by 6.8   4.8   4.0   3.2 points
    8      .05           .97        1.00       .99                    .93   .72   .42
    6      .05           .90        1.00       .99                    .91   .73   .43
    4      .05           .70        .71        .96                    .81   .60   .34

6.8 points are 4 sd of all the scores of a tester, 3.2 are 4 sd of the noise. Of the latter no test that alarms on one
clean panel in twenty sees more than .60, and none that names one score finds more than .56, or .46 where the noise is
not known beforehand (8 pours; tests/benchmarks/slip_bound.py); rounding to half points takes off some more. Testers
whose use of the scale differs (sd .25) raise the alarm of single scores to .053.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import ndtri

from labkit.core import levels, scale_use
from labkit.handing import hands_out_copies
from labkit.panel.comparisons import sitting_row
from labkit.panel.scored import Scored
from labkit.wording import plural, words_joined

ALARM = 0.05           # chance that a clean panel raises any flag; what these leave of it is spent on single scores
WHOLE = 0.004          # of it for testers called reversed or constant (found: under .001 with 8 pours, .003 with 4)
ORDER = 0.005          # chance that the place in the sitting is called to matter when it does not
CONSTANT = 0.005       # chance of an honest tester's one score for everything below which constant is said
REVERSED = 3.5         # log odds of a reversed tester over an honest one at which reversed is said
HONEST = 0.3           # slope above which a tester is not looked at more closely for a reversed scale
WILD = 2.0             # sd of the slope of a tester who is flagged: next to no shrinking
LEAST_SCORES = 3       # pours that a tester must have scored before a use of the scale is judged
COLUMNS = ("attribute", "tester", "pour", "kind", "says")
SAME, TURNED, ODD, PLACE = "same score for everything", "reversed scale", "far from expectation", "order effect"


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class Oddities:
    """What looks odd in one attribute, and the use of the scale judged with that in mind."""

    flags: pd.DataFrame
    use: scale_use.ScaleUse


def oddities_of(scored: Scored, *, attributes: int) -> Oddities:
    """Flags of one attribute; the chances above are shared out among the `attributes` of the panel."""
    if len(scored.testers) < 2 or scored.all_equal or scored.noise.score <= 0:
        return Oddities(flags=pd.DataFrame(columns=list(COLUMNS)), use=_use(scored, []))
    constant = [t for t in range(len(scored.testers)) if _is_constant(scored, t, attributes)]
    turned = _reversed(scored, constant, attributes)
    use = _use(scored, constant + turned)
    rows = [_constant_row(scored, tester) for tester in constant]
    rows += [_reversed_row(scored, tester, use.alike[tester]) for tester in turned]
    place = sitting_row(scored, "position")
    left = ALARM - WHOLE - (ORDER if place else 0.0)
    rows += _far_rows(scored, constant + turned, left / attributes)
    rows += _order_rows(scored, place, attributes)
    return Oddities(flags=pd.DataFrame(rows, columns=list(COLUMNS)), use=use)


def _use(scored: Scored, odd: list[int]) -> scale_use.ScaleUse:
    """Use of the scale by tester; those who look odd are measured against the others and hardly shrunken."""
    honest = [t for t in range(len(scored.testers)) if t not in odd]
    cells, _ = scale_use.without(scored.cells, testers=odd)
    noise = _noise(cells, scored)
    spread = scale_use.spread_of_pours(levels.adjusted_means(cells, noise), stated=scored.stated_spread)
    found = scale_use.scale_use(cells, noise, spread=spread)
    columns = np.full((5, len(scored.testers)), np.nan)
    columns[:, honest] = [found.alone, found.alone_se, found.slope, found.slope_se, found.alike]
    for tester in odd:
        alone, _ = scale_use.without(scored.cells, testers=[t for t in odd if t != tester])
        place = sorted([*honest, tester]).index(tester)
        columns[:, tester] = scale_use.slope_of(alone, noise, place, spread=spread, use=WILD)
    return scale_use.ScaleUse(**dict(zip(("alone", "alone_se", "slope", "slope_se", "alike"), columns, strict=True)))


def _noise(cells: levels.Cells, scored: Scored) -> levels.Noise:
    return levels.noise_with_prior(cells, tester=scored.stated["tester"], score=scored.stated["tester_pour"])


def _is_constant(scored: Scored, tester: int, attributes: int) -> bool:
    """All scores the same, where the pours' means by the others make that hard to believe."""
    if np.sum(scored.cells.count[:, tester] > 0) < LEAST_SCORES or np.ptp(_given(scored, tester)) > 0:
        return False
    rest, kept = scale_use.without(scored.cells, testers=[tester])
    noise = _noise(rest, scored)
    means = np.full(len(scored.pours), np.nan)
    means[kept] = levels.adjusted_means(rest, noise).means
    means = np.where(np.isnan(means), np.nanmean(means), means)
    chance = scale_use.chance_of_constant(scored.cells, noise, tester, means=means, step=_step(scored))
    return chance * len(scored.testers) * attributes < CONSTANT


def _given(scored: Scored, tester: int, pour: int | None = None) -> np.ndarray:
    """The scores of a tester as they were given, repeats one by one: of all pours, or of one."""
    rows = scored.scores[scored.scores["tester"] == scored.testers[tester]]
    return (rows if pour is None else rows[rows["pour"] == scored.pours[pour]])["score"].to_numpy(float)


def _step(scored: Scored) -> float:
    """The smallest distance between two scores that were given."""
    given = np.unique(scored.scores["score"])
    return float(np.diff(given).min()) if len(given) > 1 else scored.attribute.width


def _reversed(scored: Scored, left_out: list[int], attributes: int) -> list[int]:
    """Testers called reversed, the clearest first, each judged without those found before."""
    found: list[int] = []
    while True:
        live = [t for t in range(len(scored.testers)) if t not in left_out + found]
        if len(live) < 3:
            return found
        cells, _ = scale_use.without(scored.cells, testers=left_out + found)
        noise = _noise(cells, scored)
        odds = [_reversal_odds(cells, place, scored, noise) for place in range(len(live))]
        if max(odds) < REVERSED + np.log(attributes):
            return found
        found.append(live[int(np.argmax(odds))])


def _reversal_odds(cells: levels.Cells, tester: int, scored: Scored, rough: levels.Noise) -> float:
    """Log odds of reversed over honest, with noise and spread as the other testers alone tell them.

    0 where a single score decides it: where the rest of the tester's scores speak for an honest scale; and where the
    slope at the `rough` noise of all is plainly that of an honest tester.
    """
    given = np.flatnonzero(cells.count[:, tester] > 0)
    if len(given) < LEAST_SCORES:
        return 0.0
    if scale_use.slope_of(cells, rough, tester, spread=scored.stated_spread)[0] > HONEST:
        return 0.0
    rest, _ = scale_use.without(cells, testers=[tester])
    noise = _noise(rest, scored)
    spread = scale_use.spread_of_pours(levels.adjusted_means(rest, noise), stated=scored.stated_spread)

    def odds_without(pour: int | None) -> float:
        count = cells.count.copy()
        if pour is not None:
            count[pour, tester] = 0
        raw, raw_se, *_ = scale_use.slope_of(replace(cells, count=count), noise, tester, spread=spread)
        return scale_use.reversal_odds(raw, raw_se)

    odds = odds_without(None)
    return odds if odds < REVERSED or min(map(odds_without, given)) > 0 else 0.0


def _far_rows(scored: Scored, left_out: list[int], chance: float) -> list[tuple]:
    """Scores that pour and tester would not lead one to expect, among testers who are not flagged whole.

    The furthest is taken out and the others are judged without it, until none is left that is far.
    """
    count, rows = scored.cells.count.copy(), []
    count[:, left_out] = 0
    while True:
        cells, pours = scale_use.without(replace(scored.cells, count=count))
        testers = np.flatnonzero(count.any(axis=0))
        if len(testers) < 2:
            return rows
        expected, away = scale_use.surprises(cells, _noise(cells, scored), stated=scored.stated["tester_pour"])
        judged, away = np.sum(~np.isnan(away)), np.nan_to_num(away)
        p, t = np.unravel_index(np.argmax(np.abs(away)), away.shape)
        if not judged or abs(away[p, t]) <= -ndtri(chance / (2 * judged)):
            return rows
        rows.append(_far_row(scored, testers[t], pours[p], expected[p, t], away[p, t]))
        count[pours[p], testers[t]] = 0


def _order_rows(scored: Scored, row: dict | None, attributes: int) -> list[tuple]:
    """The place in the sitting, where scores depend on it; `row` as found by sitting_row."""
    if row is None or not row["p"] * attributes < ORDER:
        return []
    name = scored.attribute.name
    return [(name, "", "", PLACE, f"{name} depends on the position in the sitting ({row['says']})")]


def _constant_row(scored: Scored, tester: int) -> tuple:
    name, own = scored.testers[tester], scored.table[:, tester]
    given, count = own[~np.isnan(own)][0], int(np.sum(~np.isnan(own)))
    attribute = scored.attribute.name
    return attribute, name, "", SAME, f"{name} gave {given:g} to each of {plural(count, 'pour')} for {attribute}"


def _reversed_row(scored: Scored, tester: int, alike: float) -> tuple:
    name, attribute = scored.testers[tester], scored.attribute.name
    says = (f"{name} scores {attribute} the other way round than the rest (correlation {alike:.2f}): "
            "ask which end is which")
    return attribute, name, "", TURNED, says


def _far_row(scored: Scored, tester: int, pour: int, expected: float, away: float) -> tuple:
    name, attribute, where = scored.testers[tester], scored.attribute.name, scored.pours[pour]
    scale = scored.attribute
    expected = scale.told(np.clip(expected, scale.low, scale.high))
    scores = words_joined([f"{score:g}" for score in _given(scored, tester, pour)])
    says = (f"{name} gave {where} {scores} for {attribute}, where {expected} would be expected "
            f"({abs(away):.1f} standard deviations)")
    return attribute, name, where, ODD, says
