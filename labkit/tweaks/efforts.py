"""What else to buy: a pour, melt or tester more, a repeat, a second tasting; all in desirability per unit of cost."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from labkit.handing import fixed, hands_out_copies
from labkit.planning.question import testers_by_attribute, usual_testers
from labkit.rounds import Round
from labkit.tweaks.additions import Around
from labkit.tweaks.looking import Bench
from labkit.tweaks.price import Bargain
from labkit.tweaks.standing import Standing, standing_of
from labkit.tweaks.suggest import (
    FINE,
    WIDE,
    asked_of,
    bargain_of,
    best_round,
    is_single,
    looked_over,
    of_use,
    shown_worth,
    targets_of,
)
from labkit.tweaks.trying import Evening, paid_by_evenings
from labkit.tweaks.weighing import in_grams, weighed_round, with_notes
from labkit.tweaks.words import missing
from labkit.tweaks.worth import jury_of
from labkit.wording import Report, grid_of, heading, line, report, words_joined

ROUGH = {"worlds": 128, "inner": 8, "paid": 32}        # to choose among rounds that add the same thing
CLEAR = 1.64           # standard errors of the computation below which two gains are not told apart
UNTOLD = "nothing that could be told"
LEAST = 0.00005        # desirability that four decimals show nothing of
MORE = ("pour", "tester", "tasting")                    # all of the round and more: what comes out worth less is chance
DIGITS = {"cost": 2, "gain": 4, "difference": 4, "se": 4, "per unit": 4, "added cost": 2, "added per unit": 4}


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class Efforts:
    """What the suggested round brings, and what it would bring with something more.

    table : a row an effort, by name (round, pour, melt, tester, repeat, tasting): effort in words, pours, melts,
    testers, cost, gain of desirability and that per unit of cost, difference to the suggested round and the standard
    error of computing it, added cost, difference per unit of it, and whether it pays: it surely brings something, is
    expected to bring `worth` for each unit that it adds, and the round with it does for all that it costs.
    rounds : by name, ready to pour. worth : what a unit must bring with what one has now (`tweaks.price`). advice :
    plain words.
    """

    table: pd.DataFrame
    rounds: Mapping[str, Round]
    worth: float
    advice: str

    def __post_init__(self):
        object.__setattr__(self, "rounds", fixed(self.rounds))

    def to_frame(self) -> pd.DataFrame:
        """A row an effort."""
        return self.table

    def _report(self) -> Report:
        shown = self.table.drop(columns=["se", "testers"])
        return report(heading("What else to buy"), *(line(part) for part in self.advice.split("\n")),
                      grid_of(shown, digits=DIGITS, title="Gain of desirability, and cost"))

    def __str__(self) -> str:
        return self._report().as_text()

    def __repr__(self) -> str:
        pays = [name for name in self.table.index[1:] if self.table.at[name, "pays"]]
        if not self.table["pays"].any():
            return "<Efforts: no round would pay>"
        return f"<Efforts: {words_joined(pays) if pays else 'nothing'} would pay beside the round>"

    def _repr_html_(self) -> str:
        return self._report().as_html()


def compare_efforts(trial, pours: int | None = 4, melts: int | None = 2, seed: int = 0,
                    hold: Mapping[str, float] | None = None) -> Efforts:
    """The round of suggest_next, and what one pour, melt or tester more, a repeat or a second tasting would add.

    pours, melts, seed, hold : as in suggest_next, whose expected gain is that of the round. Every difference to it is
    one in what settling anew on the simulated scores would bring (`core.improvement.paid_by_world`), in the same drawn
    worlds and with the same luck, so that differences have their sign. One tester more is a newcomer; the usual number
    is the median of a scored pour's.
    """
    compared = compared_evenings(trial, pours, melts, seed=seed, hold=hold)
    evenings, round_ = compared.evenings, compared.round
    words = _words(evenings, compared.best)
    paid = compared.paid(list(evenings.values()), WIDE, 4, FINE)
    bargain = compared.bargain
    table = _table(trial, evenings, bargain, paid, compared.usual, words)
    rounds = {name: round_ if name in ("round", "tester", "tasting") else _round_of(trial, evening, hold)
              for name, evening in evenings.items()}
    advice = "\n".join([*_hopeless(compared), _advice(table, bargain), *missing(trial, compared.standing.surfaces)])
    return Efforts(table=table, rounds=rounds, worth=bargain.unit, advice=advice)


def _hopeless(compared: "Compared") -> list[str]:
    """That suggest_next plans another round, where nothing is expected to be of use and this one brings too little."""
    standing, bargain = compared.standing, compared.bargain
    best = standing.known.mean(standing.points.iloc[[0]])[0]
    if of_use(best, bargain) or is_single(standing.trial, standing.hold):
        return []
    return ["No formula within the limits is expected to give what you want, so suggest_next plans a round that "
            "teaches the most: pour that one. What follows is of the round of largest expected gain instead."]


@dataclass(frozen=True, kw_only=True, eq=False)
class Compared:
    """What is compared: by name the evenings, the suggested round first; what one may settle on; the usual panel.

    bargain : what the suggested round costs and is expected to bring.
    """

    standing: Standing
    round: Round
    bargain: Bargain
    best: str
    usual: float
    targets: pd.DataFrame
    evenings: Mapping[str, Evening]

    def paid(self, evenings: list[Evening], n: int, apart: int, sizes: Mapping) -> np.ndarray:
        """What each pays in each of some worlds, (evenings, worlds)."""
        standing = self.standing
        return paid_by_evenings(standing.outlook(n, apart), jury_of(standing.surfaces), self.usual, evenings,
                                self.targets, judges=testers_by_attribute(standing.trial), **sizes)


def compared_evenings(trial, pours: int | None, melts: int | None, *, seed: int, hold=None) -> Compared:
    """The suggested round as an evening, and of each addition the one that brings most."""
    asked = asked_of(trial, pours, melts, seed, hold, None)
    standing, seed = standing_of(trial, seed=seed, hold=hold), asked.seed
    bench, points = Bench(trial=trial, outlook=standing.known, hold=standing.hold), standing.points
    asked, jury = replace(asked, fixed=standing.hold), jury_of(standing.surfaces)
    looked = looked_over(asked, bench, points)
    round_ = weighed_round(asked, best_round(asked, bench, jury, points, looked))
    wide = standing.outlook(WIDE)
    worth = shown_worth(asked, wide, jury, round_, standing.settled, points)
    around = Around.of(bench, round_, standing.settled, points, looked, seed, asked.hold)
    bargain = bargain_of(asked, round_, gain=worth.gain, having=wide.mean(standing.settled)[0])
    plain = Compared(standing=standing, round=round_, bargain=bargain, best="".join(around.best.index[:1]),
                     usual=usual_testers(trial) if len(trial.standing_scores) else 0,
                     targets=pd.concat([standing.settled, targets_of(points, seed)], ignore_index=True), evenings={})
    chosen = _chosen(_offered(around, plain.usual), lambda e: plain.paid(e, 512, 3, ROUGH).mean(axis=1))
    return replace(plain, evenings=chosen)


def _offered(around: Around, usual: float) -> dict[str, list[Evening]]:
    """By name, the rounds among which the best is taken; the suggested round first."""
    tasted = [around.as_it_is(testers=1)], [around.as_it_is(tastings=2)]
    offered = {"round": [around.as_it_is()], "pour": around.with_pour(), "melt": around.with_melt(),
               "tester": tasted[0] if usual else [], "repeat": around.with_repeat(),
               "tasting": tasted[1] if usual else []}
    return {name: found for name, found in offered.items() if found}


def _chosen(offered: Mapping[str, list[Evening]], worth_of) -> dict[str, Evening]:
    """Of each the one that brings most."""
    gains = worth_of([evening for found in offered.values() for evening in found])
    chosen, start = {}, 0
    for name, found in offered.items():
        chosen[name] = found[int(np.argmax(gains[start:start + len(found)]))]
        start += len(found)
    return chosen


def cost_of(trial, evening: Evening, usual: float) -> float:
    """A second tasting costs what as many testers more would."""
    more = evening.testers + usual * (evening.tastings - 1)
    return trial.cost.of(rounds=1, melts=len(set(evening.melts)), pours=len(evening.places), testers=more)


def _table(trial, evenings: Mapping[str, Evening], bargain: Bargain, paid: np.ndarray, usual: float,
           words: Mapping[str, str]) -> pd.DataFrame:
    rows = []
    for name, evening, each in zip(evenings, evenings.values(), paid, strict=True):
        cost, difference = cost_of(trial, evening, usual), each - paid[0]
        gain = max(bargain.gain + float(difference.mean()), 0.0)
        rows.append({"effort": words[name], "pours": len(evening.places), "melts": len(set(evening.melts)),
                     "testers": usual + evening.testers, "cost": cost, "gain": gain, "per unit": gain / cost,
                     "difference": float(difference.mean()),
                     "se": float(difference.std(ddof=1) / np.sqrt(len(difference)))})
    table = pd.DataFrame(rows, index=pd.Index(evenings, name="name"))
    added = table["added cost"] = table["cost"] - table.at["round", "cost"]
    table["added per unit"] = table["difference"] / added.where(added > 1e-9)
    due = bargain.unit
    table["pays"] = (_beside(table, due) | (table.index == "round")) & (table["per unit"] >= due)
    return table


def _beside(row, due: float):
    """Whether it surely brings something, and as expected enough for what it adds to the cost of a round that is poured
    anyway (a row, or all)."""
    return ((row["difference"] >= due * row["added cost"]) & (row["difference"] > CLEAR * row["se"])
            & (row["difference"] >= LEAST))


def _words(evenings: Mapping[str, Evening], best: str) -> dict[str, str]:
    words = {"round": "the round as suggested", "pour": "one pour more", "melt": "one melt more",
             "tester": "one tester more", "tasting": "a second tasting of the same pours"}
    if "repeat" in evenings:
        words["repeat"] = f"{best} again in place of a new formula"
    return words


def _round_of(trial, evening: Evening, hold: Mapping[str, float] | None) -> Round:
    """The pours in grams, melts one after the other."""
    labels = list(dict.fromkeys(evening.melts))
    order = [k for label in labels for k, melt in enumerate(evening.melts) if melt == label]
    names = dict(zip(labels, trial.next_melts(len(labels)), strict=True))
    points = evening.points.iloc[order].reset_index(drop=True)
    melts = [names[evening.melts[k]] for k in order]
    return with_notes(trial, in_grams(trial, points, melts, trial.next_pours(len(order)), hold))


# In words

def _advice(table: pd.DataFrame, bargain: Bargain) -> str:
    more, due = table.iloc[1:], bargain.unit
    sentences = [f"The round as suggested costs {bargain.cost:g} and is expected to bring {bargain.gain:.3f} of "
                 f"desirability (0 to 1), {bargain.told()}."]
    sentences += [_about(row, due) for row in more.reset_index(names="name").to_dict("records")]
    return "\n".join([_first(table, due), *sentences])


def _first(table: pd.DataFrame, due: float) -> str:
    """What to do, before the numbers."""
    paying = table.iloc[1:].query("pays")
    if not table["pays"].any():
        return ("No round pays for all that it costs, neither as suggested nor with anything more. Where suggest_next "
                "says stop as well, settle on what it names, and confirm that where it is not done yet "
                "(plan_confirmation).")
    if not len(paying):
        return "Pour the round as suggested; nothing beside it pays for itself."
    net = paying["difference"] - due * paying["added cost"]
    order = list(paying.loc[net.sort_values(ascending=False, kind="stable").index, "effort"])
    rest = f"; {words_joined(order[1:])} would pay too, each by itself" if order[1:] else ""
    return f"Best beside the round as suggested: {order[0]}{rest}."


def _about(row: Mapping, due: float) -> str:
    """One effort: what it costs, what it adds, whether that pays, or would beside a round that is poured anyway."""
    name = row["effort"][0].upper() + row["effort"][1:]
    told = (abs(row["difference"]) > max(CLEAR * row["se"], LEAST)
            and (row["difference"] > 0 or row["name"] not in MORE))
    adds = f"{abs(row['difference']):.4f} {'more' if row['difference'] > 0 else 'less'}"
    anyway = "" if row["pays"] else " if the round is poured all the same"
    if abs(row["added cost"]) <= 1e-9:
        verdict = f"do it{anyway}" if _beside(row, due) else "leave the round as it is"
        return f"{name} costs the same and brings {adds if told else UNTOLD}: {verdict}."
    adds = f"{adds} ({row['added per unit']:.4f} a unit)" if told else UNTOLD
    verdict = f"it pays{anyway}" if _beside(row, due) else "it does not pay"
    return f"{name} costs {row['added cost']:g} more and brings {adds}: {verdict}."
