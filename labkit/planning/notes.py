"""What a planned round says about itself: how it was judged, what it leaves open, what the balance cannot weigh."""

import numpy as np
import pandas as pd

from labkit.aside import without_aside
from labkit.attributes import only_read
from labkit.core.optimal import Criterion, d_optimum
from labkit.planning.draft import Plan, pot_dimensions
from labkit.planning.points import Points
from labkit.planning.question import WEAK, scoring_parts
from labkit.planning.size import SITTING
from labkit.planning.weigh import outside_limits
from labkit.planning.wish import Wish
from labkit.portions import small_portions
from labkit.rounds import Round, grams_column
from labkit.trial import Trial
from labkit.wording import about, plural, words_joined

ONE_POT = "Nothing in the pot varies: a single melt would do."
SAME = 1 / 50  # of the most that pots can differ by


def precision_after(plan: Plan, found: Round) -> np.ndarray:
    """Posterior precision after the round as it will be weighed."""
    return plan.known.after(plan.question, found.to_frame())


def notes_of(trial: Trial, wish: Wish, plan: Plan, found: Round, *, said: tuple[str, ...]) -> tuple[str, ...]:
    """All notes of a round, in the order in which a maker needs them; `said` are those of the earlier steps."""
    return (
        *_caveats(trial, wish, plan, found),
        *small_portions(found, trial.batch),
        *said,
        _method(trial, wish, plan),
        *_uncertainty(plan, found),
        *_efficiency(wish, plan, found),
    )


def _caveats(trial: Trial, wish: Wish, plan: Plan, found: Round) -> list[str]:
    pours, caveats = len(found.pours), []
    if pours == 1:
        caveats.append("A single pour has no other of its round beside it: what the round and the pot did stays in it.")
    caveats += [*beyond_a_sitting(trial, found), *carried_over(trial, found)]
    return [*caveats, *_few_melts(trial, wish, plan, found)]


def beyond_a_sitting(trial: Trial, found: Round) -> tuple[str, ...]:
    """More pours than lips can judge in a row; an instrument can."""
    pours, sittings = len(found.pours), -(-len(found.pours) // SITTING)
    told = sittings > 1 and not only_read(trial.attributes)
    return (f"{pours} pours are more than the {SITTING} of one sitting: serve them in {sittings}.",) * told


def carried_over(trial: Trial, found: Round) -> tuple[str, ...]:
    """Pours that no balance weighs within the limits, such as at a share that is pinned between two steps."""
    over = np.array(found.pours)[outside_limits(trial, found)]
    return (f"Whole balance steps carry {words_joined(over)} over a limit, by less than a step.",) * bool(len(over))


def _few_melts(trial: Trial, wish: Wish, plan: Plan, found: Round) -> list[str]:
    """A caveat where the different pots so far are fewer than the pot's part of the model needs."""
    q = pot_dimensions(plan)
    if not q:
        spare = plan.region.recipe.pot and len(found.melts) > 1 and plan.control is None
        return [ONE_POT] if spare else []
    new, notes = _pot_keys(plan, found.to_frame()), []
    if len(found.melts) > 1 and wish.repeats == 0 and _different(new) == 1:
        notes = ["All melts have the same pot: the criterion gains more elsewhere. Fewer melts would do nearly as "
                 "well."]
    needed = {"linear": q + 1, "interaction": 1 + q + q * (q - 1) // 2, "quadratic": (q + 1) * (q + 2) // 2}[wish.model]
    made = without_aside(trial.made, trial.set_aside)
    melts, past = len(found.melts), made[made["ok"]].drop_duplicates("melt")
    formulas = trial.made_formulas.loc[past.index].add_suffix(" [g]")
    different = _different(np.vstack([new, _pot_keys(plan, past.join(formulas))]))
    if different >= needed:
        return notes
    names = f" for {words_joined(trial.recipe.per_melt)}" if trial.recipe.per_melt else ""
    counted = plural(melts, "melt") + (f" and {len(past)} before" if len(past) else "")
    counted += f", {plural(different, 'different pot')} in all," if different < melts + len(past) else ""
    advice = "the plan rests on the prior there" if wish.prior == "weak" else "more melts would tell them apart"
    return [*notes, f"The {wish.model} model needs {needed} different pots{names}; with {counted} {advice}."]


def _pot_keys(plan: Plan, pours: pd.DataFrame) -> np.ndarray:
    """What the pours of a melt share, in what can vary from pot to pot, as parts of the most that it can."""
    recipe, offered = plan.region.recipe, plan.offer.pots.pot_keys()
    grams = pours[[grams_column(i) for i in recipe.ingredients]].to_numpy(dtype=float)
    settings = pours[list(recipe.settings)].to_numpy(dtype=float)
    keys, spans = Points(recipe=recipe, formulas=grams, settings=settings).pot_keys(), np.ptp(offered, axis=0)
    return keys[:, spans > 1e-9] / spans.max()


def _different(keys: np.ndarray) -> int:
    """How many pots are further apart than SAME; by a balance and a hand those of one plan differ by about half."""
    kept: list[np.ndarray] = []
    for key in keys:
        if all(np.abs(key - other).max() >= SAME for other in kept):
            kept.append(key)
    return len(kept)


def _method(trial: Trial, wish: Wish, plan: Plan) -> str:
    noise, prior = plan.question.noise, "nothing assumed before"
    if wish.prior == "weak":
        curved = f", all curved ones {WEAK[2]:g}" if wish.model != "linear" else ""
        prior = f"weak prior (root mean square of all linear functions together {WEAK[1]:g} of the scale{curved})"
    shared = ""
    if plan.region.recipe.pot:
        tasted = "read once" if only_read(trial.attributes) else f"scored by {about(noise.testers, 'tester')}"
        tasted += ", not by all for everything" * any(part != 1 for part in scoring_parts(trial).values())
        shared = f" A melt's variance is {noise.melt_ratio:.2f} of that of a pour {tasted} ([noise])."
    return f"Planned by the {wish.criterion}-criterion for the {wish.model} model, {prior}.{shared}"


def _uncertainty(plan: Plan, found: Round) -> list[str]:
    """The standard error of a surface over the region, root mean square, before and after, as a part of the scale."""
    asked = plan.known.criterion(Criterion(kind="I", moments=plan.question.criterion.moments))
    noise, known = plan.question.noise, plan.known
    before = asked.value(known.precision) + known.of_rounds(noise, before=True)
    after = asked.value(precision_after(plan, found)) + known.of_rounds(noise)
    if not np.isfinite(after):
        return []
    words = [f"{np.sqrt(loss * noise.pour):.2f}" for loss in (before, after) if np.isfinite(loss)]
    told = " before and ".join(words)
    return [f"Standard error of a surface over the region, as a part of its scale: {told} after this round."]


def _efficiency(wish: Wish, plan: Plan, found: Round) -> list[str]:
    """D-efficiency of independent pours of a first round against the certified continuous optimum."""
    alone = len(found.melts) == len(found.pours) and not len(plan.known.block)
    if wish.criterion != "D" or not alone:
        return []
    pours, prior = len(found.pours), plan.known.precision * (1 + plan.question.noise.melt_ratio)
    best = d_optimum(plan.rows(plan.offer.points), pours=pours, prior=prior)
    frame = found.to_frame()
    rows = plan.known.rows(plan.question.rows(frame))
    reached = np.linalg.slogdet(rows.T @ rows + prior)[1]
    efficiency = np.exp((reached - best.log_det) / len(prior))
    return [
        f"D-efficiency {efficiency:.3f} of the best that {plural(pours, 'pour')} could teach if they were divisible "
        f"(certified within {max(best.gap, 0):.0e})."
    ]


