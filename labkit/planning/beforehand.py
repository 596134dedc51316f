"""`appraise_round`: what a planned round can tell, before any wax is melted."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from labkit.attributes import only_read
from labkit.checks import check_whole, coordinates_in
from labkit.core.optimal import round_contrasts
from labkit.core.terms import MODELS, Terms
from labkit.errors import PlanError
from labkit.panel import appraise_panel
from labkit.planning.draft import drafted, refined
from labkit.planning.given import check_round, round_of
from labkit.planning.layout import layout_of
from labkit.planning.plan import Brief, brief_of
from labkit.planning.prospect import POWER, SIZE, Prospect
from labkit.planning.question import (
    Known,
    Question,
    Variances,
    free_columns,
    known_before,
    model_values,
    noise_of,
    past_of,
    scoring_parts,
    terms_of,
    testers_by_attribute,
    weak_question,
)
from labkit.planning.wish import Wish
from labkit.rounds import Round
from labkit.trial import Trial, check_trial
from labkit.weighed import round_labels
from labkit.wording import about, words_joined

GUESS = 0.5  # a place is still a guess while more than this part of its prior standard error is left
FAR = 0.4  # coded: a place lies high or low in a factor beyond this
STARTS = 3  # of a quick search: from one it may end at a melt more or fewer that would teach nothing


def appraise_round(trial: Trial, round_: Round | int, testers: int | None = None) -> Prospect:
    """What `round_` will teach beside everything else that was poured, scored by `testers` (as usual so far, or 6).

    round_ : a Round that need not be kept yet, or the number of a planned round.
    Estimable: a term of the classical model, with rounds as blocks, lies in the row space of the pours. Smallest
    difference: (z_.975 + z_.80) x its standard error at the noise of the trial, or the stated one (Cohen 1988,
    Statistical Power Analysis, ch. 2, in its normal form). Guess: where more than half
    of the standard error of the weak prior is left.
    """
    check_trial(trial, error=PlanError)
    round_ = round_of(round_, trial, error=PlanError)
    trial = _without(trial, round_)
    noise, by_attribute, scoring = noise_of(trial), testers_by_attribute(trial), scoring_parts(trial)
    if testers is not None:                            # so many of every attribute
        by_attribute = scoring = {}
        noise = noise_of(trial, check_whole(testers, name="testers", low=1, high=99, error=PlanError), scoring)
    question = _question(trial, noise)
    past, new = past_of(trial).pours, round_.to_frame()
    known = known_before(question, past)
    after, both = known.after(question, new), pd.concat([past, new[past.columns]]) if len(past) else new
    sources, spread = _noise_found(trial)
    guess, worst = _guesses(question, known, after)
    return Prospect(
        round=round_,
        testers=noise.testers,
        models=_models(trial, past, both),
        terms=_terms(trial, question, known, after),
        differences=_differences(trial, both, spread, dict.fromkeys(spread, noise.testers) | by_attribute),
        guess=guess,
        worst=worst,
        changes=_changes(trial, round_, noise, scoring),
        sources=sources + _fewer_words(noise.testers, by_attribute),
        scales=trial.attributes,
    )


def standard_error_at(trial: Trial, points: pd.DataFrame, round_: Round | None = None) -> np.ndarray:
    """Standard error of a surface at coordinates (m,), as a part of the scale, from all pours and a round to come.

    That of the weak prior and the stated noise: where one has poured counts, not what was scored.
    """
    check_trial(trial, error=PlanError)
    if round_ is not None:
        check_round(round_, trial, error=PlanError)
    coordinates_in(points, trial.recipe.coordinates, error=PlanError)         # numbers, all there
    question = _question(trial, noise_of(trial))
    earlier = trial if round_ is None else _without(trial, round_)
    known = known_before(question, past_of(earlier).pours)
    precision = known.precision if round_ is None else known.after(question, round_.to_frame())
    variance = _diagonal(question.rows(points), _surface_part(known, precision))
    return np.sqrt((variance + known.of_rounds(question.noise, before=round_ is None)) * question.noise.pour)


def _question(trial: Trial, noise: Variances) -> Question:
    """All functions of the quadratic model over the whole region, with the weak prior."""
    return weak_question(trial.region, trial.region, noise, model="quadratic", kind="I")


def _without(trial: Trial, round_: Round) -> Trial:
    """The trial without the round, planned or poured."""
    plan, pours = (trial.tables[name] for name in ("plan", "pours"))
    kept = {"plan": plan[~plan["pour"].isin(round_.pours)].reset_index(drop=True),
            "pours": pours[~pours["pour"].isin(round_.pours)].reset_index(drop=True)}
    return replace(trial, tables={**trial.tables, **kept})


# Which terms


def _models(trial: Trial, past: pd.DataFrame, both: pd.DataFrame) -> pd.DataFrame:
    """A row a model: its terms, how many are estimable from the `past` pours, and from `both` those and the round's."""
    rows, polynomials = [], {model: _polynomial(trial, model) for model in MODELS}
    for model, terms in polynomials.items():
        if model == "interaction" and [p.names for p in polynomials.values()].count(terms.names) > 1:
            continue                     # of one factor, or of a blend alone: told already under another name
        before = _estimable(trial, terms, past) if len(past) else np.zeros(len(terms.names), dtype=bool)
        after = _estimable(trial, terms, both)
        fresh = [name for name, a, b in zip(terms.names, before, after) if b and not a]
        rows.append((model, len(terms.names), int(before.sum()), int(after.sum()), ", ".join(fresh)))
    return pd.DataFrame(rows, columns=["model", "terms", "before", "after", "newly estimable"])


def _polynomial(trial: Trial, model: str) -> Terms:
    """In what can vary: nothing is to be told of a coordinate that is pinned."""
    return terms_of(trial.region, free_columns(trial.region), model)


def _estimable(trial: Trial, terms: Terms, pours: pd.DataFrame) -> np.ndarray:
    """Whether each coefficient lies in the row space of the pours, beside contrasts of their rounds.

    What the pours hardly differ in is taken to be alike: what a balance step moves tells of no term.
    """
    points = trial.recipe.held_at(pours, trial.recipe.unmoved(pours))
    rows = terms.evaluate(model_values(trial.region, points, terms.columns))
    rows = np.hstack([rows, round_contrasts(round_labels(pours))])
    size, right = np.linalg.svd(rows, full_matrices=False)[1:]
    space = right[size > 1e-8 * size.max()]
    return np.array([np.sum(space[:, k] ** 2) > 1 - 1e-8 for k in range(len(terms.names))])


def _terms(trial: Trial, question: Question, known: Known, after: np.ndarray) -> pd.DataFrame:
    """For each coefficient of the quadratic model 1 - var after / var before, under the weak prior."""
    terms = _polynomial(trial, "quadratic")
    values = model_values(trial.region, question.sample, terms.columns)
    turn = np.linalg.lstsq(terms.evaluate(values), question.rows(question.sample), rcond=None)[0]
    variance = [_diagonal(turn, _surface_part(known, p)) for p in (known.precision, after)]
    return pd.DataFrame({"term": terms.names, "told": 1 - variance[1] / variance[0]})


def _surface_part(known: Known, precision: np.ndarray) -> np.ndarray:
    """Covariance of the functions of the model, without the columns of rounds."""
    size = len(precision) - len(known.block)
    return np.linalg.inv(precision)[:size, :size]


def _diagonal(rows: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    return np.sum(rows @ covariance * rows, axis=1)


# Which differences


def _noise_found(trial: Trial) -> tuple[str, dict[str, dict[str, float]]]:
    """Standard deviations by attribute: tester x pour from the panel where it has scored, the others as stated."""
    stated = {name: trial.noise_of(name) for name in trial.attributes}
    if not len(trial.standing_scores):
        yet = "" if only_read(trial.attributes) else "; no scores yet"
        return f"Noise as stated for this trial{yet}.", stated
    found = appraise_panel(trial).noise.query("source == 'tester_pour'").set_index("attribute")["found"]
    spread = {name: sd | {"tester_pour": float(found.get(name, sd["tester_pour"]))} for name, sd in stated.items()}
    return "Noise of testers as this panel shows it; of rounds, melts and pours as stated.", spread


def _fewer_words(testers: float, by_attribute: Mapping[str, float]) -> str:
    """By how many testers each attribute is scored, where that is not by all who score."""
    told = [f"{name} by {about(count, 'tester')}" for name, count in by_attribute.items() if count != testers]
    return f" Of these testers not all score everything: so far a pour is scored for {words_joined(told)}." * bool(told)


def _differences(trial: Trial, pours: pd.DataFrame, spread: dict, testers: Mapping[str, float]) -> pd.DataFrame:
    """The smallest differences that would be seen, between two pours and from low to high of each coordinate by all
    `pours`; spread : attribute -> standard deviations by source, testers : attribute -> how many score a pour."""
    from scipy.stats import norm

    times, rows = norm.ppf(1 - SIZE / 2) + norm.ppf(POWER), []
    for name, sd in spread.items():
        pour = sd["pour"] ** 2 + sd["tester_pour"] ** 2 / testers[name] + sd.get("reading", 0.0) ** 2
        if trial.recipe.pot:
            rows.append((name, "two pours of one melt", times * np.sqrt(2 * pour)))
        two = "two pours of different melts" if trial.recipe.pot else "two pours"
        rows.append((name, two, times * np.sqrt(2 * (pour + sd["melt"] ** 2))))
        slopes = _slope_errors(trial, pours, sd, pour)
        rows += [(name, f"{c} from low to high", times * error) for c, error in slopes.items()]
    return pd.DataFrame(rows, columns=["attribute", "between", "seen from"])


def _slope_errors(trial: Trial, pours: pd.DataFrame, sd: dict, pour: float) -> dict[str, float]:
    """Standard error of the linear effect from low to high of each coordinate, by GLS; infinite where not estimable.

    A part of a blend goes from its lowest to its highest with the others in proportion (Cox direction). In what nothing
    moves pours differ by weighing alone, and no slope is asked of that.
    """
    effects = _effects(trial)
    moves = np.r_[True, np.any([np.abs(step[1:]) > 1e-9 for step in effects.values()], axis=0)] if effects else [True]
    rows = np.column_stack([np.ones(len(pours)), trial.region.coded(pours)])[:, np.flatnonzero(moves)]
    labels = {"melt": pours["melt"].to_numpy(), "round": round_labels(pours)}
    same = {kind: np.equal.outer(label, label) for kind, label in labels.items()}
    cover = pour * np.eye(len(pours)) + sd["melt"] ** 2 * same["melt"] + sd["round"] ** 2 * same["round"]
    white = np.linalg.solve(np.linalg.cholesky(cover), rows)      # its precision would keep half of the digits
    inverse, errors = np.linalg.pinv(white, rcond=1e-9), {}
    for name, contrast in ((name, step[moves]) for name, step in effects.items()):
        told = np.allclose(contrast @ inverse @ white, contrast, atol=1e-6)
        errors[name] = float(np.linalg.norm(contrast @ inverse)) if told else np.inf
    return errors


def _effects(trial: Trial) -> dict[str, np.ndarray]:
    """For each coordinate the step in (1, coded coordinates) from its low to its high."""
    recipe, bounds = trial.recipe, trial.recipe.bounds
    middle = recipe.factors_of(trial.region.centroid())
    for s in recipe.setting_list:
        middle[s.name] = (s.low + s.high) / 2
    effects = {}
    for name in recipe.coordinates:
        ends = pd.concat([recipe.held_at(middle, {name: bounds.at[name, end]}) for end in ("low", "high")])
        step = np.diff(trial.region.coded(ends), axis=0)[0]
        if np.abs(step).max() > 1e-9:
            effects[name] = np.r_[0.0, step]
    return effects


# Where it stays a guess


def _guesses(question: Question, known: Known, after: np.ndarray) -> tuple[pd.DataFrame, str]:
    """The part of the region with over half of its prior standard error left, before and after; the worst place."""
    rows = question.rows(question.sample)
    prior = _diagonal(rows, np.linalg.inv(question.prior))
    left = {
        when: np.sqrt((_diagonal(rows, _surface_part(known, precision)) + known.of_rounds(question.noise, before=first))
                      / prior)
        for when, precision, first in (("before", known.precision, True), ("after", after, False))
    }
    frame = pd.DataFrame({"when": list(left), "a guess": [float(np.mean(part > GUESS)) for part in left.values()]})
    worst = question.sample[left["after"] >= np.quantile(left["after"], 0.98)]
    return frame, _place_words(question, worst)


def _place_words(question: Question, points: pd.DataFrame) -> str:
    """A place in words: which coordinates are high or low there, on the whole."""
    bounds, words = question.whole.recipe.bounds, []
    for name in question.whole.recipe.coordinates:
        low, high = bounds.loc[name]
        if high > low:
            place = (2 * points[name] - low - high) / (high - low)
            if abs(place.mean()) > FAR:
                words.append(f"{'high' if place.mean() > 0 else 'low'} {name}")
            elif (place.abs() > 0.7).mean() > 0.8:
                words.append(f"either end of {name}")
    return words_joined(words) if words else "no one corner more than others"


# One more or fewer


def _changes(trial: Trial, round_: Round, noise: Variances, scoring: Mapping[str, float]) -> pd.DataFrame:
    """Standard error over the region, and how a change of the round would move it.

    With other testers, who score each attribute as often as the usual ones do (`scoring`), the same round is judged
    anew; other numbers of pours and melts are each searched for quickly and compared with a round of the planned size
    found in the same way. More never knows less: what is planned can be poured beside it, so that a quick search which
    says otherwise found too little.
    """
    pours, melts, own = len(round_.pours), len(round_.melts), not trial.recipe.pot
    brief = brief_of(trial, Wish(pours=pours, melts=melts))
    planned = _error(trial, brief, noise, round_.to_frame())
    usual, rows = _searched_error(brief, pours, melts), [("as planned", planned, 0.0)]
    for step, word in ((1, "one more"), (-1, "one fewer")):
        sizes = {"pour": (pours + step, melts + step if own else melts), "melt": (pours, melts + step)}
        for what, size in sizes.items():
            if 1 <= size[1] <= size[0] and not (own and what == "melt"):
                moved = step * min(step * (_searched_error(brief, *size) - usual), 0.0)
                rows.append((f"{word} {what}", planned + moved, moved))
        if noise.testers + step >= 1 and not only_read(trial.attributes):
            other = _error(trial, brief, noise_of(trial, noise.testers + step, scoring), round_.to_frame())
            rows.append((f"{word} tester", other, other - planned))
    return pd.DataFrame(rows, columns=["change", "standard error", "moves by"])


def _error(trial: Trial, brief: Brief, noise: Variances, pours: pd.DataFrame) -> float:
    """Root mean square standard error over the region after these pours, as a part of the scale."""
    question = _question(trial, noise)
    known = known_before(question, brief.past.pours)
    after = known.criterion(question.criterion).value(known.after(question, pours))
    return float(np.sqrt((after + known.of_rounds(noise)) * noise.pour))


def _searched_error(brief: Brief, pours: int, melts: int) -> float:
    """The same of a round that is searched quickly; unrefined, or from one start, one size would be further from its
    best than another."""
    plan = brief.plan(layout_of(pours, melts))
    found = refined(plan, drafted(plan, seed=0, starts=STARTS, kicks=0))
    noise = plan.question.noise
    return float(np.sqrt((found.loss + plan.known.of_rounds(noise)) * noise.pour))
