"""What the confirmation pours said: confirmed, overturned, or not clear."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from labkit.checks import check_type
from labkit.errors import TweakError
from labkit.tweaks.confirming import NEAR, Confirmation
from labkit.tweaks.standing import better_known, known_formulas, standing_of
from labkit.wording import Report, grid_of, heading, line, number_text, report, words_joined

VERDICTS = ("confirmed", "overturned", "not clear")


@dataclass(frozen=True, kw_only=True, eq=False)
class Verdict:
    """The settled formula after its confirmation pours.

    attributes : a row an attribute: mean result, the interval it was expected in, verdict, and why in words. verdict :
    one of VERDICTS for the whole. desirability : mean, low, high (90 %) of the formula now that these scores count.
    """

    verdict: str
    attributes: pd.DataFrame
    desirability: pd.Series
    advice: str

    def __post_init__(self):
        object.__setattr__(self, "attributes", self.attributes.copy())
        object.__setattr__(self, "desirability", self.desirability.copy())

    def to_frame(self) -> pd.DataFrame:
        """A row an attribute."""
        return self.attributes.copy()

    def _report(self) -> Report:
        blocks = [heading(f"The choice is {self.verdict}"), *(line(part) for part in self.advice.split("\n"))]
        blocks += [line(f"{row.attribute}: {row.why}") for row in self.attributes.itertuples()]
        return report(*blocks, grid_of(self.attributes.drop(columns="why")))

    def __str__(self) -> str:
        return self._report().as_text()

    def __repr__(self) -> str:
        return f"<Verdict: {self.verdict}, desirability {self.desirability['mean']:.2f}>"

    def _repr_html_(self) -> str:
        return self._report().as_html()


def appraise_confirmation(trial, confirmation: Confirmation, seed: int = 0) -> Verdict:
    """Compare what the confirmation pours scored with what was expected of them, and with what is known of others.

    trial : with the round of `confirmation` poured and scored. An attribute is overturned when its mean result lies
    beyond the turning point, confirmed when it lies where it was expected, else not clear. The whole is confirmed when
    every attribute is, and overturned when one of them is and another known formula is expected to be better now that
    all scores count.
    """
    check_type(confirmation, Confirmation, name="confirmation", advice="Give what plan_confirmation returned.",
               error=TweakError)
    pours = list(confirmation.round.pours)
    results = _results(trial, pours, list(confirmation.expected["attribute"]))
    turns = confirmation.overturns.drop(columns=["expected", "at once"])
    table = pd.merge(confirmation.expected.drop(columns="mean"), turns)
    table.insert(1, "result", [results[name] for name in table["attribute"]])
    rows = [_verdict_on(row) for row in table.to_dict("records")]
    table["verdict"], table["why"] = [row[0] for row in rows], [row[1] for row in rows]
    failed = [pour for pour in pours if pour in trial.failed]
    now, better = _now(trial, confirmation, seed)
    whole = _whole(list(table["verdict"]), better, failed)
    return Verdict(verdict=whole, attributes=table[["attribute", "result", "low", "high", "verdict", "why"]],
                   desirability=now, advice=_advice(whole, now, better, failed, table))


def _results(trial, pours: list[str], attributes: list[str]) -> dict[str, float]:
    """Adjusted mean over the confirmation pours by attribute; nan where none of them was scored or read for it."""
    recorded = set(trial.pours["pour"])
    missing = [pour for pour in pours if pour not in recorded]
    if missing:
        raise TweakError(f"pour {missing[0]} of the confirmation is not recorded. "
                         "Record it with append_pours (or trial.with_pours) first.")
    judged = set(trial.judged["pour"])
    missing = [pour for pour in pours if pour not in judged and pour not in trial.failed]
    if missing:
        raise TweakError(f"pour {missing[0]} of the confirmation has no standing score. "
                         "Have it tasted, and record the scores first.")
    means = {name: found.reindex(pours) for name, found in _means(trial) if name in attributes}
    return {name: float(means[name].mean()) if name in means else float("nan") for name in attributes}


def _means(trial) -> list[tuple[str, pd.Series]]:
    """Means by pour of every attribute that was scored, adjusted for who tasted, or read by an instrument."""
    from labkit.panel import appraise_panel
    from labkit.surfaces.instrument import read_by_instrument

    found = [(name, read_by_instrument(trial, a)[0]) for name, a in trial.read_attributes.items()]
    if not len(trial.standing_scores):
        return found
    panel = appraise_panel(trial)
    return [(name, panel.means(name)[0]) for name in panel.attributes] + found


def _verdict_on(row: dict) -> tuple[str, str]:
    result = row["result"]
    if np.isnan(result):
        return "not clear", "no pour of the confirmation was scored for it."
    told = f"{result:.1f}, where {row['low']:.1f} to {row['high']:.1f} was expected"
    for side, word, beyond in (("below", "under", result < row["below"]), ("above", "over", result > row["above"])):
        if beyond:
            return "overturned", f"{told}; {word} {row[side]:.1f} {row[f'better {side}']} would be the better choice."
    if row["low"] <= result <= row["high"]:
        return "confirmed", f"{told}."
    return "not clear", f"{told}; of itself that makes no known formula a better choice."


def _now(trial, confirmation: Confirmation, seed: int) -> tuple[pd.Series, tuple[str, float] | None]:
    """Desirability of the formula with all scores, and the known formula that is now expected to be better, if any."""
    point = confirmation.round.frame.iloc[[0]][list(trial.recipe.coordinates)]
    standing = standing_of(trial, point, seed=seed)
    return better_known(standing, known_formulas(standing, NEAR))


def _whole(verdicts: list[str], better, failed: list[str]) -> str:
    if "overturned" in verdicts and better:
        return "overturned"
    return "confirmed" if set(verdicts) == {"confirmed"} and not failed else "not clear"


def _advice(whole: str, now: pd.Series, better, failed: list[str], table: pd.DataFrame) -> str:
    known = (f"With these scores its desirability is {now['mean']:.2f} (90 %: {number_text(now['low'])} to "
             f"{number_text(now['high'])})")
    beside = (f", that of {better[0]} {better[1]:.2f}." if better
              else "; no other known formula is expected to be better.")
    sentences = []
    if failed:
        sentences.append(f"{words_joined(failed)} failed. A formula that fails is not settled: find out why first.")
    if whole == "confirmed":
        sentences.append("The formula did what was expected of it in everything that is wanted. Keep it.")
    elif whole == "overturned":
        sentences.append(f"Settle on {better[0]}, or ask suggest_next for another round.")
    else:
        off = list(table.loc[table["verdict"] != "confirmed", "attribute"])
        sentences.append((f"{words_joined(off)} came out otherwise than expected. " if off else "")
                         + "Pour it once more, or ask suggest_next for another round.")
    return "\n".join([*sentences, known + beside])
