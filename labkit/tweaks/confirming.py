"""The confirmation pour: what, how many, what to expect of it, and what result would overturn the choice."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import pandas as pd
from scipy.special import ndtr

from labkit.attributes import Attribute, Wanted, decimals, digits_of
from labkit.checks import check_size
from labkit.errors import TweakError
from labkit.handing import hands_out_copies
from labkit.rounds import Cost, Round, grams_column
from labkit.tweaks.forecast import Forecast, usual_judges
from labkit.tweaks.foretold import Foretold, foretold
from labkit.tweaks.outlook import LEAD, desirability_of, wanted_part
from labkit.tweaks.result import with_units
from labkit.tweaks.rivals import rivals_of
from labkit.tweaks.slips import slips_at, slips_in_words
from labkit.tweaks.standing import Standing, known_formulas, standing_of
from labkit.tweaks.suggest import FAINT
from labkit.tweaks.weighing import in_grams, with_notes
from labkit.tweaks.words import HOLDS, missing, percent
from labkit.wording import Report, decimal_text, grid_of, heading, line, plural, report, words_joined

MOST = 4                       # pours that are proposed; more may be asked for
TELLS = 0.9                    # chance with which a useless attribute is to be noticed
DRAWS = 2048
NEAR = 0.05                    # part of the range of every coordinate: as good as the same formula
TIMES = {1: "once", 2: "twice"}
LIKELY = 0.5                   # chance over which it is said that half of what is wanted will hardly be reached
SHOWN = 6                      # slips in the report


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class Confirmation:
    """One settled formula, to be poured again before it counts.

    round : ready to pour. misses : a row an attribute, once a pour has failed one for the chance that the formula
    holds, and one for desirability: mean, low, high (90 %) of the long-run mean, wanted, the chance that it is useless
    (desirability 0), and that it is less than half of what is wanted. all_met : the chance that no attribute is
    useless. expected : a row an attribute: where the mean of the confirmation pours should fall, nine times in ten, and
    the unit of what is read. overturns : a row an attribute: below and above which mean result which known pour's
    formula would be the better choice. slips : a row a slip, the largest loss first. why : the number of pours.
    forecast : what `expected` and `overturns` follow from, and how many testers were counted on.
    """

    round: Round
    misses: pd.DataFrame
    all_met: float
    expected: pd.DataFrame
    overturns: pd.DataFrame
    slips: pd.DataFrame
    why: str
    advice: str
    forecast: Forecast

    def to_frame(self) -> pd.DataFrame:
        """The rows of `misses`, with what is expected of the pours and what would overturn the choice."""
        result = self.expected.drop(columns="mean").rename(columns={"low": "result low", "high": "result high"})
        turns = self.overturns.drop(columns=["expected", "at once"])
        return self.misses.merge(result, on="attribute", how="left").merge(turns, on="attribute", how="left")

    def _report(self) -> Report:
        blocks = [heading("How to confirm the choice"), *(line(part) for part in self.advice.split("\n"))]
        blocks += self.round._report().blocks
        blocks.append(heading("What is known of this formula"))
        units = self.expected.set_index("attribute")["unit"]
        scales = self.forecast.attributes
        places = dict.fromkeys(("mean", "low", "high"), digits_of(self.misses["attribute"], scales))
        blocks.append(grid_of(with_units(self.misses, units), digits=places,
                              title="Long-run mean, with 90 % intervals, and the chance of a miss"))
        turns = _turns_shown(self.expected, self.overturns, scales)
        places = dict.fromkeys(("low", "high"), digits_of(turns["attribute"], scales))
        blocks.append(grid_of(with_units(turns, units), digits=places,
                              title=f"Mean of these pours{self.forecast.judged_by()}: expected nine times in ten; what "
                                    "would overturn the choice"))
        blocks.append(heading("How far a slip may push it"))
        shown = self.slips.head(SHOWN).drop(columns=["moves", "low"])
        named = {name: f"{name} [{unit}]" for name, unit in units.items() if unit}
        digits = {named.get(name, name): places for name, places in _places(self.slips, scales).items()}
        blocks.append(grid_of(shown.rename(columns=named), digits=digits,
                              title="Change of each predicted mean and of desirability (a pot filled for one pour)"))
        return report(*blocks)

    def __str__(self) -> str:
        return self._report().as_text()

    def __repr__(self) -> str:
        pours = plural(len(self.round.pours), "pour")
        return f"<Confirmation: {pours}, chance that all is of use {percent(self.all_met)}>"

    def _repr_html_(self) -> str:
        return self._report().as_html()


def _places(slips: pd.DataFrame, scales: Mapping[str, Attribute]) -> dict[str, int]:
    """Decimals of each change that a slip makes."""
    return dict(zip(slips.columns, digits_of(slips.columns, scales, 3), strict=True))


def _turns_shown(expected: pd.DataFrame, overturns: pd.DataFrame, scales: Mapping[str, Attribute]) -> pd.DataFrame:
    """Where the choice turns. Where another is better already, what is expected is no turning point to be printed."""
    table = expected.drop(columns="mean").merge(overturns.drop(columns="expected"), on="attribute")
    for side in ("below", "above"):
        known = table[side].notna()
        told = ["already" if at_once else scales[name].told(v, 2)
                for name, v, at_once in zip(table["attribute"], table[side], table["at once"])]
        table[side] = [f"{v}: {who}" if k else "none on the scale"
                       for v, who, k in zip(told, table[f"better {side}"], known, strict=True)]
    return table[["attribute", "low", "high", "below", "above"]].rename(
        columns={"below": "overturned below", "above": "overturned above"})


def plan_confirmation(trial, formula: pd.DataFrame | None = None, pours: int | None = None,
                      seed: int = 0) -> Confirmation:
    """The settled formula as a round of confirmation pours, with what to expect of them.

    formula : one row of coordinates; None for the one that suggest_next(trial, seed=seed) would settle on. pours : None
    proposes the smallest number, each in its own melt, at which every attribute that is useless in the long run would
    show: its mean would fall outside the 90 % interval that is expected now, nine times in ten.
    """
    if pours is not None:
        pours = check_size(pours, name="pours", error=TweakError)
    standing = standing_of(trial, formula, seed=seed)
    point = standing.points.iloc[[0]] if formula is None else standing.settled
    standing = replace(standing, settled=_poured_again(trial, point, 1).frame[standing.names],
                       known=standing.known.as_scored())
    others = known_formulas(standing, NEAR)
    points = pd.concat([standing.settled, others[standing.names]], ignore_index=True)
    told = {name: foretold(surface, points, seed=standing.seed + k)
            for k, (name, surface) in enumerate(standing.surfaces.items())}
    count, why = (pours, f"{plural(pours, 'pour')}, as asked.") if pours else enough_pours(told, trial.attributes)
    round_ = _poured_again(trial, point, count)
    misses, all_met = misses_at(standing)
    forecast = Forecast(attributes=trial.attributes, told=told, names=list(others.index), holds=standing.holds(points),
                        pours=count, usual=usual_judges(trial))
    expected, overturns = forecast.expected(), forecast.overturns()
    grams = round_.frame.iloc[0][[grams_column(i) for i in trial.recipe.ingredients]]
    slips = slips_at(standing, grams.set_axis(trial.recipe.ingredients))
    unknown = missing(trial, standing.surfaces)
    advice = _advice(round_, trial.cost, why, _todays(standing, others),
                     _expected_words(expected, overturns, trial.attributes), *unknown,
                     _misses_words(misses, all_met, _every([trial.attributes[name] for name in told], bool(unknown))),
                     slips_in_words(slips, trial.attributes))
    return Confirmation(round=round_, misses=misses, all_met=all_met, expected=expected, overturns=overturns,
                        slips=slips, why=why, advice=advice, forecast=forecast)


def _poured_again(trial, point: pd.DataFrame, pours: int) -> Round:
    """The formula as many times, each in a melt of its own, in grams within the limits."""
    points = pd.concat([point] * pours, ignore_index=True)
    return with_notes(trial, in_grams(trial, points, trial.next_melts(pours), trial.next_pours(pours)))


# How many

def useless_at(wanted: Wanted) -> tuple[float, float]:
    """Below the first and above the second of these scores the desirability is 0; nan where that side is open."""
    points = wanted.points
    return {"rising": (points[0], math.nan), "falling": (math.nan, points[-1]),
            "peak": (points[0], points[-1])}[wanted.kind]


def chance_to_tell(told: Foretold, wanted: Wanted, pours: int) -> tuple[float, float]:
    """The chance that a useless attribute would show, the least over the sides that matter; and where it is useless.

    Would show: at a long-run mean of exactly that score the mean of the pours falls outside what is expected of them.
    """
    (low, high), sd = told.interval(pours), told.noise(pours)
    below, above = useless_at(wanted)
    sides = [(float(ndtr((low - below) / sd)), below), (float(ndtr((above - high) / sd)), above)]
    return min((side for side in sides if not math.isnan(side[0])), key=lambda side: side[0])


def enough_pours(told: Mapping[str, Foretold], attributes) -> tuple[int, str]:
    """The smallest number of pours, up to MOST, that tells each miss that can be told, and why."""
    chances = {name: [chance_to_tell(t, attributes[name].wanted, n) for n in range(1, MOST + 1)]
               for name, t in told.items()}
    needed = {name: next((n for n, (chance, _) in enumerate(found, start=1) if chance >= TELLS), None)
              for name, found in chances.items()}
    hopeless = [name for name, n in needed.items() if n is None]
    lost = [name for name in hopeless if _misses_as_it_is(told[name].expected(MOST), attributes[name].wanted)]
    untold = [name for name in hopeless if name not in lost]
    misses = (f" {words_joined(lost)} {'is' if len(lost) == 1 else 'are'} expected to miss what is wanted, so that "
              "pours that do are no surprise." * bool(lost))
    if len(hopeless) == len(needed):
        doubt = (f" Not even {MOST} would tell for sure whether {words_joined(untold, last='or')} misses what is "
                 "wanted: too little is known." * bool(untold))
        return 2, f"2 pours show whether the formula comes out alike.{doubt}{misses}"
    count = max(n for n in needed.values() if n is not None)
    hardest = min((name for name, n in needed.items() if n == count), key=lambda name: chances[name][count - 1][0])
    chance, score = chances[hardest][count - 1]
    why = _why(hardest, count, chance, attributes[hardest].with_unit(f"{score:g}"))
    if untold:
        why += (f" That is not said of {words_joined(untold)}, for which not even {MOST} would do: too little is "
                "known, or too much changes from round to round.")
    return count, f"{why}{misses}"


def _misses_as_it_is(mean: float, wanted: Wanted) -> bool:
    """Whether what is expected is useless already."""
    below, above = useless_at(wanted)
    return mean <= below or mean >= above


def _why(name: str, count: int, chance: float, score: str) -> str:
    seen = (f"if {name} were useless in the long run ({score}), the mean of {plural(count, 'pour')} would fall "
            f"outside what is expected with a chance of {percent(chance)}")
    return f"1 pour is enough: {seen}." if count == 1 else f"{count} pours: {seen}; of one less it would not be 90 %."


# What to expect

def misses_at(standing: Standing) -> tuple[pd.DataFrame, float]:
    """A row an attribute and one for desirability, and the chance that no attribute is useless."""
    attributes, rows, outlook = standing.trial.attributes, [], standing.outlook(DRAWS)
    known = outlook.known(standing.settled)
    scores = {name: drawn[:, 0] for name, drawn in zip(outlook.surfaces, known)}
    for name, drawn in scores.items():
        found = standing.surfaces[name].predict(standing.settled, level=0.9).iloc[0]
        wanted = attributes[name].wanted
        d = wanted_part(wanted, drawn)
        words = f"{wanted.kind} {words_joined([f'{p:g}' for p in wanted.points], last='to')}"
        rows.append((name, found["mean"], found["low"], found["high"], words, (d <= 0).mean(), (d < 0.5).mean()))
    if outlook.failing is not None:
        chance, low, high = outlook.failing.predict(standing.settled).iloc[0]
        rows.append((HOLDS, 1 - chance, 1 - high, 1 - low, "", chance, math.nan))
    all_met = desirability_of(attributes, scores) > 0
    whole = outlook.worth(known)[:, 0]
    low, high = np.quantile(whole, [0.05, 0.95])
    rows.append(("desirability", whole.mean(), low, high, "", (whole <= 0).mean(), (whole < 0.5).mean()))
    table = pd.DataFrame(rows, columns=["attribute", "mean", "low", "high", "wanted", "chance useless",
                                        "chance under half"])
    return table, float(all_met.mean())


# In words

def _advice(round_: Round, cost: Cost, why: str, *parts: str) -> str:
    """What to pour and why, then all else, a sentence a line."""
    count = len(round_.pours)
    price = cost.of(rounds=1, melts=len(round_.melts), pours=count)
    melts = "" if count == 1 else ", each time in its own melt" if round_.recipe.pot else ", each time from the start"
    first = f"Pour it {TIMES.get(count, f'{count} times')}{melts} ({words_joined(round_.pours)}; cost {price:g}). {why}"
    return "\n".join([first, *filter(None, parts)])


def _todays(standing: Standing, others: pd.DataFrame) -> str:
    """A warning where today's knowledge speaks against the formula before it is poured."""
    rivals = rivals_of(standing, others)
    now, better = rivals.formula["mean"], rivals.better
    if now <= FAINT:
        return (f"It is expected to come to a desirability of {now:.2f} only, so there is hardly anything to confirm: "
                "ask suggest_next for another round first.")
    if better and not rivals.apart:
        return f"As far as is known today {better} is as good: it is not expected to be better by {LEAD:g}."
    if better:
        return (f"As far as is known today {better} is the better choice already: desirability "
                f"{rivals.others[better]:.2f} against {now:.2f}.")
    return ""


def _expected_words(expected: pd.DataFrame, overturns: pd.DataFrame,
                    scales: Mapping[str, Attribute] = MappingProxyType({})) -> str:
    turns = overturns.set_index("attribute")
    finer = {name: scale.finer for name, scale in scales.items()}
    rows = [(row, turns.loc[row.attribute], finer.get(row.attribute, 0)) for row in expected.itertuples()]
    return "\n".join(f"{row.attribute} should come out between {measured(row.low, '', more)} and "
                     f"{measured(row.high, row.unit, more)}{_turns_words(turn, more)}." for row, turn, more in rows)


def measured(value: float, unit: str, finer: int = 0) -> str:
    """`8.1`, or `8.1 mm`; with more decimals where the scale is finer, as `Attribute.told` of one that is at hand."""
    return f"{decimal_text(value, decimals(1, finer))} {unit}".rstrip()


def _turns_words(turn: pd.Series, finer: int = 0) -> str:
    """`; under 4.9 P07 would be the better choice`."""
    if turn["at once"]:
        return ""
    sides: dict[str, list[str]] = {}
    for side, word in {"below": "under", "above": "over"}.items():
        sides.setdefault(turn[f"better {side}"], []).append(f"{word} {measured(turn[side], '', finer)}")
    parts = [f"{' or '.join(where)} {pour}" for pour, where in sides.items() if pour]
    if not parts:
        return "; no result of it alone would make another known formula the better choice"
    return f"; {' and '.join(parts)} would be the better choice"


def _every(attributes: list[Attribute], other: bool) -> str:
    """`every score`, `every other reading`, `every score and reading`: what is known so far."""
    kinds = {False: "score", True: "reading"}
    judged = words_joined([kinds[is_read] for is_read in sorted({a.is_read for a in attributes})])
    return f"every other {judged}" if other else f"every {judged}"


def _misses_words(misses: pd.DataFrame, all_met: float, every: str = "every score") -> str:
    rows = misses[~misses["attribute"].isin([HOLDS, "desirability"])]
    worst, least = (rows.loc[rows[name].idxmax()] for name in ("chance useless", "chance under half"))
    half = f"to stay under half of what is wanted ({percent(least['chance under half'])})."
    text = f"The chance that {every} is of use in the long run is {percent(all_met)}; "
    if worst["chance useless"] < 0.005:
        text += f"{least['attribute']} is the likeliest {half}"
    else:
        text += f"{worst['attribute']} is the likeliest to miss ({percent(worst['chance useless'])})."
        if least["chance under half"] > LIKELY:
            text += f"\n{least['attribute']} is likely {half}"
    held = misses.loc[misses["attribute"] == HOLDS, "mean"]
    return "\n".join([text, *(f"It holds (sets, unmoulds, does not break) with a chance of {percent(chance)}."
                              for chance in held)])
