"""How large a round should be for what it costs."""

import numpy as np

from labkit.core.optimal import Criterion
from labkit.planning.draft import Plan, drafted, pot_dimensions
from labkit.planning.layout import layout_of
from labkit.rounds import Cost

SITTING = 4  # pours that one sitting holds, and the usual round
LARGEST = 8  # proposed at most: two sittings
MOST_MELTS = 6
POT_WORTH = 1.25  # a single melt must teach this much more per cost before the pot is left as it is
USUAL = Cost()


def proposed_pours(cost: Cost, *, melts: int | None, own_pots: bool) -> int:
    """n = 4 sqrt[(fixed / running) / (the same at the usual costs)], within 2 to 8.

    Pours of one round cannot learn from each other, so what they teach grows more slowly than their number; the
    size that teaches the most per cost then goes with the root of what a round costs anyway over what one more pour
    costs (the rule of the economic lot: Harris 1913). At the usual costs, 5, 1 and .5, it is the 4 of one sitting.
    """
    least, most = max(2, melts or 1), max(LARGEST, melts or 1)
    return int(np.clip(wanted_pours(cost, melts=melts, own_pots=own_pots), least, most))


def wanted_pours(cost: Cost, *, melts: int | None, own_pots: bool) -> int:
    """The same before it is brought within 2 to 8, and up to a pour a melt."""
    wanted = SITTING * np.sqrt(_fixed_to_running(cost, melts, own_pots) / _fixed_to_running(USUAL, melts, own_pots))
    return int(min(round(wanted), 10 * LARGEST))


def _fixed_to_running(cost: Cost, melts: int | None, own_pots: bool) -> float:
    running = cost.pour + (cost.melt if own_pots else 0.0)
    fixed = cost.round + (0.0 if own_pots else cost.melt * (melts or 2))
    return max(fixed, 1e-9) / max(running, 1e-9)


def proposed_melts(plan_with, cost: Cost, *, pours: int, seed: int, least: int = 1) -> int:
    """The number of melts, `least` or more, that lowers the criterion most per cost; plan_with(layout) -> Plan.

    Where the pot can vary, a second melt is worth it unless one melt teaches a quarter more per cost.
    """
    gains = {}
    for melts in range(least, max(least, min(pours, MOST_MELTS)) + 1):
        plan = plan_with(layout_of(pours, melts))
        draft = drafted(plan, seed=seed, starts=1, kicks=1)
        gains[melts] = _gain(plan, draft.loss) / max(cost.of(rounds=1, melts=melts, pours=pours), 1e-9)
    best = max(gains, key=gains.get)
    several = max((melts for melts in gains if melts > 1), key=gains.get, default=1)
    if best == 1 and pot_dimensions(plan) and gains[1] <= POT_WORTH * gains.get(several, 0.0):
        return several
    return best


def _gain(plan: Plan, loss: float) -> float:
    """How much a round lowers the loss: I, or -log det; from what is known before."""
    criterion: Criterion = plan.known.criterion(plan.question.criterion)
    return criterion.value(plan.known.precision) - loss
