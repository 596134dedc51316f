"""What the confirmation pours said: confirmed, overturned, or not clear."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from labkit.aside import pours_aside
from labkit.attributes import Attribute, digits_of, wanted_of
from labkit.checks import check_type
from labkit.errors import TweakError
from labkit.handing import fixed, hands_out_copies
from labkit.outgrown import outside_now
from labkit.panel import appraise_panel
from labkit.planning.given import formulas_of, planned_round
from labkit.rounds import Round
from labkit.surfaces.instrument import read_by_instrument
from labkit.trial import check_trial
from labkit.tweaks.appraising import advice_on, verdict_on, whole_of
from labkit.tweaks.confirming import NEAR, Confirmation, plan_confirmation
from labkit.tweaks.forecast import judges_of
from labkit.tweaks.path import as_of
from labkit.tweaks.result import with_units
from labkit.tweaks.rivals import Rivals, rivals_of
from labkit.tweaks.standing import known_formulas, standing_of
from labkit.wording import Report, grid_of, heading, line, report, words_joined


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class Verdict:
    """The settled formula after its confirmation pours.

    attributes : a row an attribute: mean result, the interval it was expected in, unit, verdict (confirmed, overturned,
    not clear or not judged), and why in words. verdict : confirmed, overturned or not clear, for the whole.
    desirability : mean, low, high (90 %) of the formula now that these scores count. scales : attribute -> what
    trial.toml says of it.
    """

    verdict: str
    attributes: pd.DataFrame
    desirability: pd.Series
    advice: str
    scales: Mapping[str, Attribute] = field(default_factory=dict)

    def __post_init__(self):
        object.__setattr__(self, "scales", fixed(self.scales))

    def to_frame(self) -> pd.DataFrame:
        """A row an attribute."""
        return self.attributes

    def _report(self) -> Report:
        blocks = [heading(f"The choice is {self.verdict}"), *(line(part) for part in self.advice.split("\n"))]
        blocks += [line(f"{row.attribute}: {row.why}") for row in self.attributes.itertuples()]
        shown = self.attributes.drop(columns=["why", "unit"])
        places = dict.fromkeys(("result", "low", "high"), digits_of(shown["attribute"], self.scales))
        units = self.attributes.set_index("attribute")["unit"]
        return report(*blocks, grid_of(with_units(shown, units), digits=places))

    def __str__(self) -> str:
        return self._report().as_text()

    def __repr__(self) -> str:
        return f"<Verdict: {self.verdict}, desirability {self.desirability['mean']:.2f}>"

    def _repr_html_(self) -> str:
        return self._report().as_html()


def appraise_confirmation(trial, confirmation: Confirmation | int, seed: int = 0) -> Verdict:
    """Compare what the confirmation pours scored with what was expected of them, and with what is known of others.

    trial : with the round of `confirmation` poured and scored. confirmation : what plan_confirmation returned, or the
    number of its round where that is no longer at hand: what was expected then follows from the rounds before it, to
    the last digit with the `seed` of then, but for what was corrected or set aside since.

    An attribute is confirmed when its mean result lies where it was expected and within its turning points, overturned
    when it lies beyond one and a known formula is better now that all scores count: expected to be, where the result
    was not expected, and clearly so, at three to one, where it was. Else it is not clear. The whole is confirmed when
    every attribute is and no known formula is clearly better, overturned when an attribute is, or when one is better
    and something came out otherwise than expected. Where fewer testers, readings or pours told of them than were
    counted on, more is expected to be off by chance. A pour that failed settles nothing. A pour that is set aside as a
    whole does not count, whether it failed or not.
    """
    check_trial(trial, error=TweakError)
    advice = "Give what plan_confirmation returned, or the number of its round."
    check_type(confirmation, (Confirmation, int, np.integer), name="confirmation", advice=advice, error=TweakError)
    if isinstance(confirmation, bool):
        raise TweakError(f"confirmation is {confirmation}. {advice}")
    if isinstance(confirmation, Confirmation):
        _check_still(trial, confirmation.round)
        _check_asked(trial, confirmation)
    else:
        confirmation = _planned_again(trial, confirmation, seed)
    pours = list(confirmation.round.pours)
    table = _beside_expected(trial, confirmation, pours)
    failed, rivals = [pour for pour in pours if pour in trial.failed], _rivals(trial, confirmation, seed)
    aside = {pour: pour in failed for pour in pours if pour in pours_aside(trial.set_aside)}
    failed = [pour for pour in failed if pour not in aside]
    unforeseen = [name for name in wanted_of(trial.attributes) if name not in set(table["attribute"])]
    rows = [verdict_on(row, rivals) for row in table.to_dict("records")]
    table["verdict"], table["why"] = [row[0] for row in rows], [row[1] for row in rows]
    whole = whole_of(table, rivals, failed)
    advice = advice_on(whole, table, rivals, failed, pours, aside, unforeseen)
    return Verdict(verdict=whole, desirability=rivals.formula, advice=advice, scales=trial.attributes,
                   attributes=table[["attribute", "result", "low", "high", "unit", "verdict", "why"]])


def _check_still(trial, round_: Round) -> None:
    """The round of a confirmation varies what the trial does, and lies within its limits."""
    there, here = round_.recipe.coordinates, trial.recipe.coordinates
    if set(there) != set(here):
        raise TweakError(f"the confirmation was planned where {words_joined(there)} vary, but {trial.name} varies "
                         f"{words_joined(here)} now. Give the number of its round, {round_.number}, to plan it again.")
    if outside_now(trial, round_.frame).any():
        raise TweakError(f"round {round_.number} lies outside the present limits of trial.toml. Widen them again to "
                         "have it appraised, or ask suggest_next for the best that they leave.")


def _check_asked(trial, confirmation: Confirmation) -> None:
    """What was expected is of attributes that the trial has."""
    gone = [name for name in confirmation.expected["attribute"] if name not in trial.attributes]
    if gone:
        raise TweakError(f"the confirmation says what to expect of {words_joined(gone)}, which trial.toml does not "
                         f"have now. Give the number of its round, {confirmation.round.number}, to plan it again.")


def _planned_again(trial, number: int, seed: int) -> Confirmation:
    """The confirmation that a round of the trial was, planned once more from what was known before it."""
    planned = planned_round(trial, number)
    rows, formulas = planned.frame, formulas_of(planned)
    if len(formulas) != 1:
        many = f"has {len(formulas)} formulas, and a confirmation is one, poured again"
        raise TweakError(f"round {number} {many if len(formulas) else 'is not planned'}. "
                         "Give the number of the round that plan_confirmation planned.")
    _check_still(trial, planned)
    again = plan_confirmation(as_of(trial, number - 1), rows[list(trial.recipe.coordinates)].iloc[[0]], pours=len(rows),
                              seed=seed)
    return replace(again, round=replace(planned, notes=again.round.notes))


def _beside_expected(trial, confirmation: Confirmation, pours: list[str]) -> pd.DataFrame:
    """A row an attribute: result, where it was expected and where the choice turns, and how many told of it."""
    results = _results(trial, pours, list(confirmation.expected["attribute"]))
    judges = judges_of(trial).query("pour in @pours").groupby("attribute")["judges"]
    counts, each = judges.size().to_dict(), judges.agg(_equally_good).to_dict()
    forecast = confirmation.forecast.of_fewer(counts, each)
    as_planned = forecast is confirmation.forecast
    expected = confirmation.expected if as_planned else forecast.expected()
    overturns = confirmation.overturns if as_planned else forecast.overturns()
    table = pd.merge(expected, overturns.drop(columns="expected"), on="attribute")
    table.insert(1, "result", [results[name] for name in table["attribute"]])
    table["read"] = [trial.attributes[name].is_read for name in table["attribute"]]
    table["finer"] = [trial.attributes[name].finer for name in table["attribute"]]
    table["usual"] = [confirmation.forecast.usual[name] for name in table["attribute"]]
    return table.assign(pours=table["attribute"].map(counts), judges=table["attribute"].map(each))


def _equally_good(judges: pd.Series) -> float:
    """The number that leaves as much to chance where it judges every pour: the harmonic mean, but for rounding."""
    return round(float(1 / (1 / judges).mean()), 9)


def _results(trial, pours: list[str], attributes: list[str]) -> dict[str, float]:
    """Adjusted mean over the confirmation pours by attribute; nan where none of them was scored or read for it."""
    recorded = set(trial.pours["pour"])
    missing = [pour for pour in pours if pour not in recorded]
    if missing:
        raise TweakError(f"pour {missing[0]} of the confirmation is not recorded. "
                         "Record it with append_pours (or trial.with_pours) first.")
    judged = set(trial.judged["pour"])
    gone = {*trial.failed, *pours_aside(trial.set_aside)}
    missing = [pour for pour in pours if pour not in judged and pour not in gone]
    if missing:
        raise TweakError(f"pour {missing[0]} of the confirmation has no standing score. "
                         "Have it tasted, and record the scores first.")
    means = {name: found.reindex(pours) for name, found in _means(trial) if name in attributes}
    return {name: float(means[name].mean()) if name in means else float("nan") for name in attributes}


def _means(trial) -> list[tuple[str, pd.Series]]:
    """Means by pour of every attribute that was scored, adjusted for who tasted, or read by an instrument."""
    found = [(name, read_by_instrument(trial, a)[0]) for name, a in trial.read_attributes.items()]
    if not len(trial.standing_scores):
        return found
    panel = appraise_panel(trial)
    return [(name, panel.means(name)[0]) for name in panel.attributes] + found


def _rivals(trial, confirmation: Confirmation, seed: int) -> Rivals:
    """Desirability of the formula and of the known ones now that all scores count."""
    point = confirmation.round.frame.iloc[[0]][list(trial.recipe.coordinates)]
    standing = standing_of(trial, point, seed=seed)
    standing = replace(standing, known=standing.known.as_scored())
    return rivals_of(standing, known_formulas(standing, NEAR))
