"""How far a trial is, and what in its records wants a look before anything is made of them: a sentence each."""

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from types import MappingProxyType

import pandas as pd

from labkit.aside import not_taken_back, without_aside
from labkit.attributes import wanted_of
from labkit.checks import meant, near_to
from labkit.errors import LabkitError, TrialError
from labkit.outgrown import told_outgrown
from labkit.readings import last_readings, meant_method
from labkit.rounds import EVENING, HAVING, Cost
from labkit.served import ballots_missing
from labkit.trial import Trial, check_trial
from labkit.wording import Report, line, plural, report, words_joined

NOTHING_WANTED = ("no attribute in trial.toml says what is wanted, so no formula is better than another. Give at least "
                  "one a line such as wanted = { rising = [4, 8] }.")
FAR = 3                                                 # times what an evening must bring at the usual costs
BARE_KEY = re.compile("[A-Za-z0-9_-]+")                 # of TOML 1.0; other keys are quoted
KINDS = MappingProxyType({"left out": "Left out: ", "in doubt": "In doubt: ",            # and how each begins
                          "outgrown": "", "unsaid": "", "beside": "", "waiting": ""})


@dataclass(frozen=True, kw_only=True, eq=False)
class Records:
    """What `appraise_records` returns. standing, varies : a sentence each; the rest are findings, sentences by kind.

    left out : pours that cannot be expressed in the present factors, and why. in doubt : what can hardly be so.
    outgrown : what was planned, made or scored while trial.toml was another. unsaid : what trial.toml might say and
    does not. beside : readings of no attribute. waiting : what is planned and not poured, poured and not judged, served
    and not scored.
    """

    name: str
    standing: str
    varies: str
    left_out: tuple[str, ...]
    in_doubt: tuple[str, ...]
    outgrown: tuple[str, ...]
    unsaid: tuple[str, ...]
    beside: tuple[str, ...]
    waiting: tuple[str, ...]

    def _findings(self) -> Iterator[tuple[str, str]]:
        for kind in KINDS:
            yield from ((kind, told) for told in getattr(self, kind.replace(" ", "_")))

    def to_frame(self) -> pd.DataFrame:
        """kind, told: a row a finding."""
        return pd.DataFrame(list(self._findings()), columns=["kind", "told"], dtype=object)

    def _report(self) -> Report:
        found = [line(KINDS[kind] + told) for kind, told in self._findings()]
        found = found or [line("Nothing in the records wants a look.")]
        return report(line(self.standing), line(self.varies), *found)

    def __str__(self) -> str:
        return self._report().as_text()

    def _repr_html_(self) -> str:
        return self._report().as_html()

    def __repr__(self) -> str:
        return f"<Records of {self.name}: {plural(len(self.to_frame()), 'finding')}>"


def appraise_records(trial: Trial) -> Records:
    """How far a trial is, and what in its records wants a look; the kinds of findings stand in `Records`.

    `labkit check` says the same of a folder, with the rows of its files and what files alone show. Nothing is changed
    or left away here. Raises TrialError where it is given no trial.
    """
    check_trial(trial, error=TrialError)
    return Records(
        name=trial.name, standing=told_standing(trial), varies=_varies(trial),
        left_out=tuple(trial.left_out.values()), in_doubt=trial.doubts, outgrown=tuple(told_outgrown(trial)),
        unsaid=tuple(told_unsaid(trial)), beside=tuple(told_beside(trial)), waiting=tuple(told_unfinished(trial)))


def told_standing(trial: Trial) -> str:
    """One sentence: rounds, pours, and scores and readings so far."""
    scores = trial.standing_scores
    if not len(trial.pours):
        return f"{trial.name}: nothing is poured yet."
    failed = f" ({len(trial.failed)} failed)" if trial.failed else ""
    rounds = trial.plan.loc[trial.plan["pour"].isin(trial.pours["pour"]), "round"].nunique()
    said = [f"{plural(trial.pours['pour'].nunique(), 'pour')}{failed} in {plural(rounds, 'round')}"]
    if trial.scored_attributes or len(scores):
        said.append(f"{plural(len(scores), 'score')} by {plural(scores['tester'].nunique(), 'tester')}")
    if trial.read_attributes:
        said.append(plural(len(trial.standing_readings), "reading"))
    return f"{trial.name}: {', '.join(said)}."


def _varying(trial: Trial) -> list[str]:
    return [name for name in trial.recipe.coordinates if name in trial.recipe.varying]


def _varies(trial: Trial) -> str:
    recipe, region = trial.recipe, trial.region
    return (f"{plural(len(recipe.ingredients), 'ingredient')}; what varies: {words_joined(_varying(trial))}. The "
            f"region has {plural(len(region.vertices()), 'corner')} in {plural(region.dimension, 'free dimension')}.")


def check_wanted(trial: Trial, *, error: type[LabkitError]) -> None:
    """Something is wanted: else no formula is better than another, and there is nothing to come near to."""
    if not wanted_of(trial.attributes):
        raise error(NOTHING_WANTED)


def told_unsaid(trial: Trial) -> list[str]:
    """What trial.toml does not say: what is wanted; what a unit must bring where an evening costs much or little in it;
    before a second round is planned, what is believed already."""
    attributes = trial.attributes.values()
    told = [] if wanted_of(trial.attributes) else [f"{NOTHING_WANTED[:1].upper()}{NOTHING_WANTED[1:]}"]
    if trial.next_round <= 2 and not any(a.expect for a in attributes):
        name = (_varying(trial) or trial.recipe.coordinates)[0]
        key = name if BARE_KEY.fullmatch(name) else json.dumps(name, ensure_ascii=False)
        told.append("No direction is expected of any attribute. Where you are sure what makes one rise or fall, write "
                    f"it into trial.toml, such as expect = {{ {key} = \"up\" }}, for every one of which you are: the "
                    "first rounds then go further, and what is scored may overrule it.")
    return told + _told_unit(trial.cost)


def _told_unit(cost: Cost) -> list[str]:
    """That what a unit of cost must bring is not stated, where an evening comes to much more or less than usual."""
    evening, must, usual = cost.of(**EVENING), cost.evening_must_bring, Cost().evening_must_bring
    if cost.worth != Cost().worth or usual / FAR < must < usual * FAR:
        return []
    return [f"At [cost] an evening of 4 pours in 2 melts comes to {evening:g}, which must bring {must:.2g} of "
            f"desirability (0 to 1) where you have {HAVING:g} of it, at {cost.worth:g} a unit: you are told to stop "
            f"{'early' if must > usual else 'late'}. If your unit is another, such as money, write what it must bring "
            f"into [cost], such as worth = {usual / evening:.2g}."]


def told_beside(trial: Trial) -> list[str]:
    """Methods of readings.csv that read no attribute of trial.toml, and how they would."""
    readings, methods = last_readings(trial.readings), [a.reading for a in trial.read_attributes.values()]
    counts = readings["method"].value_counts()
    others = [method for method in dict.fromkeys(readings["method"]) if method not in methods]
    told = words_joined([f"{method} ({plural(counts[method], 'reading')})" for method in others])
    fresh = [method for method in methods if method not in counts]
    named = {a.name: a.reading for a in trial.read_attributes.values() if a.reading in fresh}
    near = {there: other for other in others if (there := named.get(other) or near_to(other, fresh))}
    advice = "".join(f' Where {there!r} is the same as {other!r}, write reading = "{other}" in trial.toml.'
                     for there, other in near.items())
    slips = [(other, there) for other in others if (there := meant_method(other, methods)) and there not in fresh]
    advice += "".join(f" {meant(there, f' by {other}')} Take it back with correct_readings, and record it as that."
                      for other, there in slips)
    return [f"Kept in readings.csv and read for no attribute: {told}.{advice}"] * bool(others)


def told_unfinished(trial: Trial) -> list[str]:
    """Planned and not poured, poured and not judged, served and not scored: each in one sentence."""
    poured = set(trial.pours["pour"])
    late = [pour for pour in trial.plan["pour"] if pour not in poured]
    unpoured = [f"Planned and not recorded as poured: {words_joined(late)}."] * bool(late)
    return unpoured + told_unjudged(trial) + _ballots(trial)


def _ballots(trial: Trial) -> list[str]:
    """Servings that nobody wrote a score of, of sittings that were held."""
    told = ballots_missing(trial.servings, trial.scores)
    return [f"Served and not scored: {words_joined(told)}. Look for the ballot; what was not judged plays no part."
            ] * bool(told)


def told_unjudged(trial: Trial) -> list[str]:
    """Poured and not scored yet; poured and not read yet, a sentence an attribute that an instrument reads."""
    readings, said = trial.standing_readings, not_taken_back(trial.scores)
    scored = set(said["pour"])
    made = without_aside(trial.made, trial.set_aside)
    bare = [pour for pour in made.index[made["ok"]] if pour not in scored]
    told = [f"Poured and not scored yet: {words_joined(bare)}."] * bool(bare and trial.scored_attributes)
    none = [name for name in trial.scored_attributes if scored and name not in set(said["attribute"])]
    told += [f"Not scored by anybody yet: {words_joined(none)}."] * bool(none)
    told += _half_scored(trial, made.loc[made.index.isin(scored)])
    for name in trial.read_attributes:
        there = set(readings.loc[readings["attribute"] == name, "pour"])
        bare = [pour for pour in made.index[made["ok"]] if pour not in there]
        told += [f"Poured and {name} not read yet: {words_joined(bare)}."] * bool(bare)
    return told


def _half_scored(trial: Trial, scored: pd.DataFrame) -> list[str]:
    """Pours of the newest round that was scored, of which no row says anything of what is wanted and was scored before:
    a column may have been forgotten. A row that was taken back, or holds no score, says that it was not."""
    newest, told = scored.index[scored["round"] == scored["round"].max()], []
    for name in wanted_of(trial.scored_attributes):
        there = set(trial.scores.loc[trial.scores["attribute"] == name, "pour"])
        bare = [pour for pour in newest if there and pour not in there]
        told += [f"Scored, but not for {name}: {words_joined(bare)}."] * bool(bare)
    return told
