"""The search for a round: from what may be poured to the formulas that teach the most."""

from dataclasses import dataclass, replace

import numpy as np

from labkit.core.exchange import Pool, Task, improved, search
from labkit.planning.layout import Layout
from labkit.planning.points import Offer, Points, spread_out
from labkit.planning.question import Known, Question
from labkit.region import Region
from labkit.rounds import Batch

STEPS = (0.3, 0.1, 0.03)  # parts of the way that local refinement goes
PART_MOVES = 14
POT_MOVES = 8
EDGE = 2e-9  # a move between two points inside may leave by rounding


@dataclass(frozen=True, kw_only=True, eq=False)
class Draft:
    """The formulas of a round before they are weighed, in the order of the layout, and the loss."""

    points: Points
    layout: Layout
    loss: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Plan:
    """What the search needs to know: the question, what is known, the pours, what may be poured."""

    question: Question
    known: Known
    layout: Layout
    offer: Offer
    batch: Batch
    control: Points | None = None

    @property
    def region(self) -> Region:
        return self.question.held

    def task(self, found: Offer, *, control: int = -1) -> Task:
        """The search over an offer; a control is the first formula and stands at the given place of the offer."""
        pool = Pool(
            rows=self.rows(found.points),
            pot=np.unique(found.pot, return_inverse=True)[1],
            stirred=np.unique(found.part, return_inverse=True)[1],
        )
        locked = np.full(len(self.layout.melts), -1)
        if self.control is not None:
            locked[0] = control % len(found.points)
        return Task(
            pool=pool,
            melts=self.layout.melts,
            weights=self.layout.weights,
            copies=self.layout.copies,
            known=self.known.precision,
            criterion=self.known.criterion(self.question.criterion),
            ratio=self.question.noise.melt_ratio,
            locked=locked,
            pots_differ=not self.question.is_flat and len(self.layout.copies) > 1 and pot_dimensions(self) > 0,
        )

    def rows(self, points: Points) -> np.ndarray:
        """What pours at these points tell of the model and of the round; see `Known.rows`."""
        return self.known.rows(self.question.rows(points.coordinates()))


def drafted(plan: Plan, *, seed: int, starts: int, kicks: int) -> Draft:
    """The best round that the search finds over the offer."""
    found = search(plan.task(plan.offer), starts=starts, kicks=kicks, seed=seed)
    return Draft(points=plan.offer.points.take(found.chosen), layout=plan.layout, loss=found.loss)


def refined(plan: Plan, draft: Draft) -> Draft:
    """The round after small moves of its formulas and pots, each step a third of the one before."""
    for step in STEPS:
        nearby, present = _nearby(plan, draft.points, step)
        found = improved(plan.task(nearby, control=present[0]), present)
        if found.loss < draft.loss:
            draft = replace(draft, points=nearby.points.take(found.chosen), loss=found.loss)
    return draft


def _nearby(plan: Plan, points: Points, step: float) -> tuple[Offer, np.ndarray]:
    """The present formulas and what lies a step away from them, and the places of the present ones.

    A formula moves within its pot, or its whole melt moves to another pot; a control and its pot stay.
    """
    melts, count = plan.layout.melts, len(points)
    parts, of_part = _moves(points, plan.offer.parts, step, most=PART_MOVES)
    pots, of_pot = _moves(points, plan.offer.pots, step, most=POT_MOVES)
    lead = np.array([np.flatnonzero(melts == melt)[0] for melt in melts])
    leads = (of_pot == lead[of_pot]) & ((np.arange(len(pots)) < count) | bool(plan.region.recipe.pot))
    pot, part = np.nonzero(leads[:, None] & (melts[of_pot][:, None] == melts[of_part]))
    points = parts.take(part).with_pots_of(pots.take(pot))
    present = (part < count) & (pot == lead[of_part[part]])
    fits = points.inside(plan.region, EDGE) & plan.batch.can_weigh(points.formulas).all(axis=1)
    if plan.control is not None:
        fits &= (of_part[part] != 0) & ((melts[of_pot[pot]] != 0) | (pot < count))
    found = Offer(points=points, pot=pot, part=part, pots=pots, parts=parts).kept(fits | present)
    is_present = present[fits | present]
    return found, np.flatnonzero(is_present)[np.argsort(found.part[is_present])]


def _moves(points: Points, targets: Points, step: float, *, most: int) -> tuple[Points, np.ndarray]:
    """The points, then each of them a step towards the targets that lie furthest apart; and whose move each is."""
    targets = targets.take(spread_out(targets.keys(), most=most))
    own = np.repeat(np.arange(len(points)), len(targets))
    towards = np.tile(np.arange(len(targets)), len(points))
    moved = points.take(own).towards(targets.take(towards), step)
    return points.joined(moved), np.concatenate([np.arange(len(points)), own])


def pot_dimensions(plan: Plan) -> int:
    """In how many independent ways the pot can vary."""
    keys = plan.offer.pots.only_pots().pot_keys() if plan.region.recipe.pot else np.zeros((1, 1))
    return int(np.linalg.matrix_rank(keys - keys.mean(axis=0), tol=1e-7))
