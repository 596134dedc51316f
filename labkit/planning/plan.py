"""`plan_round`: from a trial and a wish to a round that can be weighed."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from labkit.core.exchange import random_start
from labkit.core.optimal import is_regular
from labkit.core.order import melt_order
from labkit.errors import PlanError
from labkit.planning.draft import Draft, Plan, drafted, refined
from labkit.planning.layout import Layout, layout_of
from labkit.planning.notes import notes_of, precision_after
from labkit.planning.points import Offer, Points, base_points, offer, with_control
from labkit.planning.question import (
    Known,
    Past,
    Question,
    flat_question,
    known_before,
    noise_of,
    past_of,
    weak_question,
)
from labkit.planning.size import SITTING, USUAL, proposed_melts, proposed_pours, wanted_pours
from labkit.planning.weigh import outside_limits, weighed
from labkit.planning.wish import STARTING, Wish, control_point, held_region, usual_control
from labkit.region import Region
from labkit.rounds import Round
from labkit.trial import Trial, check_trial
from labkit.wording import plural

SEARCH_SECONDS = 0.8
FEWEST, MOST = 6, 108  # searches, from starts and kicks
KICKS = 8
DRAWS = 5


def plan_round(
    trial: Trial,
    pours: int | None = None,
    melts: int | None = None,
    seed: int = 0,
    criterion: str = "I",
    prior: str = "weak",
    model: str = "quadratic",
    control: str | None = None,
    repeats: int = 0,
    hold: Mapping[str, float] | None = None,
) -> Round:
    """The round that teaches the most about the surfaces, given everything poured before.

    I: the mean posterior variance over the region, uniform on coded factors; D: the determinant of the posterior
    covariance. Melts are whole plots, V = I + eta Z Z' with eta from [noise]; rounds are blocks. Exchange over
    corners, midpoints, the centroid and points inside, several starts, then local refinement; weighed in whole
    balance steps within the limits, and judged as weighed. Order by lot, melts kept together.

    pours, melts: their numbers, proposed from the costs where left out. prior: "weak" (functions by degree with the
    scales stated in `question.WEAK`) or "flat" (the classical design of the polynomial). control: a pour to be made
    again; left out, the "starting formula" in a first round that has at least as many pours as the linear model has
    terms, and at least three (three with one factor or two, five with four), since whatever is settled on has to
    beat it: so with a weak prior, no repeats and no hold, where that formula keeps the limits and can be weighed;
    "none" for no control. repeats: how many of the pours repeat a formula of the round. hold: coordinates that are
    fixed.
    """
    check_trial(trial, error=PlanError)
    wish = Wish(
        pours=pours,
        melts=melts,
        seed=seed,
        criterion=criterion,
        prior=prior,
        model=model,
        control=control,
        repeats=repeats,
        hold=hold,
    )
    task = brief_of(trial, wish)
    pours, melts, sized = _size(task)
    plan = task.plan(layout_of(pours, melts, repeats=wish.repeats, control=task.control is not None))
    drafts = _searched(plan, wish.seed)
    _check_estimable(task, pours, melts, drafts[0])
    found = min((_written(task, plan, draft) for draft in drafts), key=lambda round_: _misses(task, plan, round_))
    _check_estimable_as_weighed(task, plan, found)
    return replace(found, notes=notes_of(trial, task.wish, plan, found, said=(*found.notes, *sized, *task.said)))


@dataclass(frozen=True, kw_only=True, eq=False)
class Brief:
    """A wish in the light of a trial: what is asked, what is known, what may be poured, and what is to be said."""

    trial: Trial
    wish: Wish
    question: Question
    known: Known
    past: Past
    offer: Offer
    control: Points | None
    said: tuple[str, ...]

    def plan(self, layout: Layout) -> Plan:
        return Plan(
            question=self.question,
            known=self.known,
            layout=layout,
            offer=self.offer,
            batch=self.trial.batch,
            control=self.control,
        )

    def weak(self) -> "Brief":
        """The same wish with a weak prior: what a round teaches can be told before all terms are estimable."""
        wish = replace(self.wish, prior="weak")
        question = _question(self.trial, self.question.held, wish)
        return replace(self, wish=wish, question=question, known=known_before(question, self.past.pours))


def brief_of(trial: Trial, wish: Wish) -> Brief:
    """Everything that the search needs but the size of the round."""
    _check_own_pots(trial, wish)
    held = held_region(trial, wish.hold)
    _check_freedom(held, wish)
    wish = replace(wish, control=usual_control(trial, wish, wish.pours or _usual_pours(trial, wish)))
    past, question = past_of(trial), _question(trial, held, wish)
    found, said = _offer(trial, question)
    control = control_point(trial, wish.control) if wish.control is not None else None
    if control is not None:
        step = trial.batch.balance_step_g / trial.batch.pour_g
        found = with_control(found, trial.region, control, tolerance=2 * step)
    return Brief(
        trial=trial,
        wish=wish,
        question=question,
        known=known_before(question, past.pours),
        past=past,
        offer=found,
        control=control,
        said=(*said, *past.notes),
    )


def _usual_pours(trial: Trial, wish: Wish) -> int:
    """Pours at the costs of the trial, where their number was left out."""
    own_pots = not trial.recipe.pot
    return (wish.melts if own_pots else None) or proposed_pours(trial.cost, melts=wish.melts, own_pots=own_pots)


def _check_own_pots(trial: Trial, wish: Wish) -> None:
    """Without [melt] every pour has its own pot, so pours and melts are one number."""
    if not trial.recipe.pot and wish.melts is not None and wish.pours is not None and wish.melts != wish.pours:
        raise PlanError(
            f"trial.toml has no [melt], so each of the {plural(wish.pours, 'pour')} has its own pot, and there cannot "
            f"be {plural(wish.melts, 'melt')}. Leave melts out, or name the pot's ingredients in [melt]."
        )


def _check_freedom(held: Region, wish: Wish) -> None:
    """There is something to vary."""
    if held.freedom == 0:
        reason = "what is held leaves" if wish.hold else "the limits leave"
        raise PlanError(f"{reason} one single formula, so there is nothing to plan. Let a factor vary.")


def _question(trial: Trial, held: Region, wish: Wish) -> Question:
    noise = noise_of(trial)
    if wish.prior == "weak":
        return weak_question(trial.region, held, noise, model=wish.model, kind=wish.criterion)
    return flat_question(trial.region, held, noise, model=wish.model, kind=wish.criterion)


def _offer(trial: Trial, question: Question) -> tuple[Offer, tuple[str, ...]]:
    """What may be poured: inside the limits, every portion at least one step of the balance."""
    found = offer(question.held, base_points(question.held, question.sample))
    fits = trial.batch.can_weigh(found.points.formulas).all(axis=1)
    if not fits.any():
        told = _unweighable(trial, found.points, fits)
        raise PlanError(f"{told} Pour more, use a finer balance, or stir in a paste.")
    if not fits.all():
        return found.kept(fits), (f"{_unweighable(trial, found.points, fits)} Such formulas were passed over.",)
    return found, ()


def _unweighable(trial: Trial, points: Points, fits: np.ndarray) -> str:
    """The smallest portion of what a step of the balance exceeds most often, with its grams."""
    fractions = points.take(~fits).formulas
    small = ~trial.batch.can_weigh(fractions)
    column = int(np.argmax(small.sum(axis=0)))
    least = fractions[small[:, column], column].min() * trial.batch.pour_g
    return (
        f"{trial.recipe.ingredients[column]} would be {_below(least, trial.batch.balance_step_g)} g of a "
        f"{trial.batch.pour_g:g} g pour, "
        f"less than one step of the balance ({trial.batch.balance_step_g:g} g)."
    )


def _below(grams: float, step: float) -> str:
    """The grams in two significant digits, or in as many more as show that they are less than a step."""
    return next(text for digits in range(2, 18) if float(text := f"{grams:.{digits}g}") < step)


def _size(task: Brief) -> tuple[int, int, tuple[str, ...]]:
    """Numbers of pours and melts, and how those that were left out were chosen."""
    wish, cost, own_pots, said = task.wish, task.trial.cost, not task.trial.recipe.pot, []
    pours = wish.pours or (wish.melts if own_pots else None)
    if pours is None:
        usual, needed = _usual_pours(task.trial, wish), _needed(task)
        pours = max(usual, needed)
        said.append(_pours_words(pours, wish, cost) if usual >= needed else _terms_words(pours, task))
    _check_enough(task, pours)
    if own_pots or wish.melts is not None:
        return pours, wish.melts or pours, tuple(said)
    melts = proposed_melts(task.weak().plan, cost, pours=pours, seed=wish.seed, least=_least_melts(task, pours))
    if pours > 1:
        price = f"{cost.round:g} a round and {cost.melt:g} a melt"
        said.append(f"Number of melts: {melts}, for what they teach at {price}.")
    return pours, melts, tuple(said)


def _pours_words(pours: int, wish: Wish, cost) -> str:
    if wish.melts == pours > wanted_pours(cost, melts=wish.melts, own_pots=False):
        return f"Number of pours: {pours}, one for each of the {plural(pours, 'melt')} that were asked for."
    return (
        f"Number of pours: {pours}, at {cost.round:g} a round, {cost.melt:g} a melt and {cost.pour:g} a pour "
        f"({SITTING}, one sitting, at the usual {USUAL.round:g}, {USUAL.melt:g} and {USUAL.pour:g})."
    )


def _terms_words(pours: int, task: Brief) -> str:
    return f"Number of pours: {pours}, the fewest for the {task.question.size} terms of the model with a flat prior."


def _needed(task: Brief) -> int:
    """Pours that a flat prior needs before every term can be estimated, repeats beside them."""
    if task.wish.prior == "weak":
        return 1
    lacking = task.question.size + len(task.known.block) - int(np.linalg.matrix_rank(task.known.precision))
    return max(1, lacking + task.wish.repeats)


def _check_enough(task: Brief, pours: int) -> None:
    """With a flat prior there are as many pours as terms."""
    needed, terms = _needed(task), task.question.size
    if pours < needed:
        raise PlanError(
            f"with a flat prior the {terms} terms of the {task.wish.model} model need {plural(needed, 'pour')} in "
            f"this round, not {pours}. Plan more pours, choose a smaller model, or prior='weak'."
        )


def _least_melts(task: Brief, pours: int) -> int:
    """The fewest melts in which a round can estimate every term; one with a weak prior.

    Pours drawn by lot have the highest rank that pours in so many melts can have, but for accidents.
    """
    if task.wish.prior == "weak":
        return 1
    for melts in range(1, pours):
        search, rng = task.plan(layout_of(pours, melts)).task(task.offer), np.random.default_rng(task.wish.seed)
        if any(is_regular(search.precision(random_start(search, rng))) for _ in range(DRAWS)):
            return melts
    return pours


def _searched(plan: Plan, seed: int) -> list[Draft]:
    """The best round found, and the same after local refinement; as many starts as a stated time allows."""
    alone = len(np.unique(plan.offer.pot)) == 1
    searches = int(np.clip(SEARCH_SECONDS / _seconds(plan), FEWEST, MOST if alone else MOST // 3))
    draft = drafted(plan, seed=seed, starts=-(-searches // (KICKS + 1)), kicks=KICKS if searches > KICKS else 2)
    return [draft, refined(plan, draft)] if np.isfinite(draft.loss) else [draft]


def _seconds(plan: Plan) -> float:
    """About how long one search takes: three passes over pours and the pots of their melts, as measured on one core.

    It rests on sizes only, never on a clock, so that a round repeats bit for bit on any machine.
    """
    pours, size, pots = len(plan.layout.melts), len(plan.known.precision), len(np.unique(plan.offer.pot))
    exchange = 6e-5 + size**2 * len(plan.offer.points) / pots / 2e9 + size**3 / 1e9
    return 3 * pours * (1 + pots * (pots > 1)) * exchange


def _check_estimable(task: Brief, pours: int, melts: int, draft: Draft) -> None:
    """With a flat prior, pours enough can still be in too few pots."""
    if not np.isfinite(draft.loss):
        raise PlanError(
            f"no round of {plural(pours, 'pour')} in {plural(melts, 'melt')} can tell the {task.question.size} terms "
            f"of the {task.wish.model} model apart. Plan more melts, choose a smaller model, or prior='weak'."
        )


def _check_estimable_as_weighed(task: Brief, plan: Plan, found: Round) -> None:
    """With a flat prior, formulas that differ can still be one in whole steps of the balance."""
    if _is_blurred(plan, precision_after(plan, found)):
        raise PlanError(
            f"in whole steps of the balance ({task.trial.batch.balance_step_g:g} g), "
            f"{plural(len(found.pours), 'pour')} cannot tell the {task.question.size} terms of the {task.wish.model} "
            "model apart. Pour more, use a finer balance, choose a smaller model, or prior='weak'."
        )


def _written(task: Brief, plan: Plan, draft: Draft) -> Round:
    """The round with its names and its order by lot, melts kept together, as it will be weighed."""
    places, labels = plan.layout.spread()
    order = melt_order(labels, seed=task.wish.seed)
    places, labels = places[order], labels[order]
    names = dict(zip(dict.fromkeys(labels.tolist()), task.trial.next_melts(len(set(labels.tolist())))))
    pours = task.trial.next_pours(len(places))
    found = weighed(
        task.trial,
        draft.points.take(places),
        melts=[names[label] for label in labels.tolist()],
        pours=pours,
        fixed=np.flatnonzero(places == 0) if task.control is not None else (),
        held=task.question.held,
    )
    return replace(found, notes=_again_words(task, pours, places.tolist()))


def _again_words(task: Brief, pours: list[str], places: list[int]) -> tuple[str, ...]:
    """Which pours are made again: the control, and those that repeat a formula of the round."""
    first = {place: pours[places.index(place)] for place in places}
    words = [f"{pour} repeats {first[place]}." for pour, place in zip(pours, places) if pour != first[place]]
    if task.wish.control == STARTING:
        words.insert(0, f"{first[0]} is the starting formula: whatever is settled on has to beat it.")
    elif task.control is not None:
        words.insert(0, f"{first[0]} is {task.wish.control} made again, as a control.")
    return tuple(words)


def _misses(task: Brief, plan: Plan, found: Round) -> tuple[bool, int, float]:
    """Of a round as weighed: whether terms cannot be told apart, how many pours are over a limit, the criterion."""
    precision = precision_after(plan, found)
    over = int(outside_limits(task.trial, found).sum())
    return _is_blurred(plan, precision), over, plan.known.criterion(plan.question.criterion).value(precision)


def _is_blurred(plan: Plan, precision: np.ndarray) -> bool:
    """Whether, with a flat prior, some terms cannot be told apart."""
    return plan.question.is_flat and not is_regular(precision)
