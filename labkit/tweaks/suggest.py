"""The next tweak: from what is known today to the round that pays most, or to a stop."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pandas as pd

from labkit.aside import without_aside
from labkit.attributes import wanted_of
from labkit.checks import MOST_SUGGESTED, check_held, check_size, check_whole, more_melts_than_pours
from labkit.errors import TweakError
from labkit.planning import plan_round
from labkit.planning.notes import ONE_POT
from labkit.planning.wish import COMPARED, held_region, may_start
from labkit.records import check_wanted
from labkit.rounds import Round
from labkit.surfaces import any_failed, fit_failing, fit_surfaces
from labkit.trial import check_trial
from labkit.tweaks import words
from labkit.tweaks.looking import ALIKE, Bench, Looked, candidates, choose_round, refined
from labkit.tweaks.outlook import Outlook
from labkit.tweaks.price import Bargain
from labkit.tweaks.result import Tweak
from labkit.tweaks.search import highest, poured_well, starting_points
from labkit.tweaks.untold import untold
from labkit.tweaks.weighing import weighed_best, weighed_round
from labkit.tweaks.worth import Worth, gain_if_known, gain_of, jury_of, worth_of

USUAL_MELTS = 2
PROPOSED_POURS, PROPOSED_MELTS = (2, 3, 4, 6, 8), (1, 2, 3)          # compared when no size is asked for
WIDE = 1024                                    # draws behind a number that is shown; half of them where rounds compete
SAMPLE, TARGETS, SPREAD = 1000, 100, 400      # points looked at, settled on, compared for what a factor may lose
FINE = {"worlds": 512, "inner": 32, "paid": 64}                # of `improvement.paid_by_world`, for what is shown
CLEAR = 0.1            # a repeat must be worth this part more than the best round without it
FAINT = 0.05           # desirability below which nobody would settle on a formula


def suggest_next(trial, pours: int | None = 4, melts: int | None = USUAL_MELTS, seed: int = 0,
                 hold: Mapping[str, float] | None = None, worth: float | None = None) -> Tweak:
    """The round of largest expected gain, the formula to settle on today, and whether going on pays.

    trial : Trial. pours, melts : size of the round; None for either proposes the size with the largest gain per cost,
    and as plan_round does where there is nothing to go by (without [melt] in trial.toml every pour has its own pot, and
    a single pour has one melt in any case). hold : coordinate -> value kept in round and best. worth : desirability
    that one unit of cost must bring, or it says stop (None: what [cost] says, else 0.0055, .05 for an evening of 4
    pours in 2 melts at the usual costs) where one has .8 of it, and in proportion where one has less or more
    (`tweaks.price`).

    The formula settled on has the highest posterior expected desirability, jointly over the attributes. The round has
    the largest expected improvement on it, E[max_j D(pour j) - D(settled)]+ over joint draws. Its gain, in
    `expected_gain`, is what settling anew on the simulated scores would bring (`core.improvement.value_of_seeing`).
    """
    asked = asked_of(trial, pours, melts, seed, hold, worth)
    if scored_pours(trial) < 2:
        return _first_round(asked)
    surfaces = fit_surfaces(trial)
    return _next_round(asked, {name: surfaces[name] for name in wanted_of(trial.attributes) if name in surfaces})


@dataclass(frozen=True, kw_only=True, eq=False)
class Asked:
    """What was asked for, checked. `fixed` adds to `hold` the factors that make no difference.

    sizes : of the rounds to compare, where pours or melts, or both, were left open (None).
    """

    trial: object
    pours: int | None
    melts: int | None
    sizes: tuple[tuple[int, int], ...]
    seed: int
    hold: Mapping[str, float]
    worth: float
    fixed: Mapping[str, float]

    @property
    def names(self) -> list[str]:
        return list(self.trial.recipe.coordinates)


def asked_of(trial, pours, melts, seed, hold, worth) -> Asked:
    """What `suggest_next` was asked, checked, with the sizes of the rounds that are to be compared."""
    check_trial(trial, error=TweakError)
    seed = check_whole(seed, name="seed", low=0, high=2**32 - 1, error=TweakError)
    check_wanted(trial, error=TweakError)
    number = isinstance(worth, int | float | np.number) and not isinstance(worth, bool)
    if worth is not None and not (number and 0 <= worth < math.inf):
        raise TweakError(f"worth is {worth!r}. Give the desirability that a unit of cost must bring, "
                         f"such as {trial.cost.worth:g}.")
    hold = check_held(hold, bounds=trial.recipe.bounds, blends=trial.recipe.blends, error=TweakError)
    pours, melts = (value if value is None else check_size(value, name=name, most=MOST_SUGGESTED, error=TweakError)
                    for name, value in (("pours", pours), ("melts", melts)))
    return Asked(trial=trial, pours=pours, melts=melts, sizes=_sizes(trial, pours, melts), seed=seed, hold=hold,
                 fixed=hold, worth=trial.cost.worth if worth is None else float(worth))


def _sizes(trial, pours: int | None, melts: int | None) -> tuple[tuple[int, int], ...]:
    """Pours and melts of the rounds to compare; a melt without a pour is not made."""
    if pours is not None and melts is not None and melts > max(pours, USUAL_MELTS) and trial.recipe.pot:
        raise TweakError(more_melts_than_pours(melts, pours))
    found = []
    for p in [pours] if pours is not None else PROPOSED_POURS:
        own = not trial.recipe.pot
        found += [(p, p)] if own else [(p, min(m, p)) for m in ([melts] if melts is not None else PROPOSED_MELTS)]
    return tuple(dict.fromkeys(found))


def scored_pours(trial) -> int:
    """How many pours were judged for something that is wanted."""
    judged = trial.judged
    return judged.loc[judged["attribute"].isin(list(wanted_of(trial.attributes))), "pour"].nunique()


def _first_round(asked: Asked) -> Tweak:
    """Nothing to go by yet: the round that teaches the most, and the starting formula."""
    trial, round_ = asked.trial, _teaching_round(asked)
    best = weighed_best(asked, trial.recipe.held_at(trial.recipe.starting_factors[asked.names], asked.hold))
    failed = words.failing(fit_failing(trial) if any_failed(trial) else None, best[asked.names])
    return Tweak(round=round_, best=best, stop=False, expected_gain=math.nan, gain_if_known=math.nan,
                 reasons=words.teaching(trial, round_),
                 advice="\n".join([words.first_advice(trial, scored_pours(trial), asked.hold), *failed]),
                 predictions=pd.DataFrame(columns=["attribute", "mean", "low", "high"]))


def _teaching_round(asked: Asked) -> Round:
    pours, melts = asked.pours, asked.melts if asked.trial.recipe.pot else None
    melts = melts if None in (pours, melts) else min(melts, pours)
    return plan_round(asked.trial, pours=pours, melts=melts, seed=asked.seed, hold=asked.hold or None)


def _next_round(asked: Asked, surfaces: Mapping[str, object]) -> Tweak:
    trial, outlook = asked.trial, Outlook.of(asked.trial, surfaces, seed=asked.seed)
    points, values, asked = searched(asked, outlook)
    bench = Bench(trial=trial, outlook=outlook, hold=asked.fixed)
    jury = jury_of(surfaces)
    found = best_round(asked, bench, jury, points, looked_over(asked, bench, points))
    round_ = weighed_round(asked, found)
    round_ = replace(round_, notes=(*_spare_melts(round_, points), *round_.notes))
    best = weighed_best(asked, points.iloc[[0]])
    tweak = _handed_over(asked, outlook, jury, round_, best, points)
    found = of_use(values[0], bargain_of(asked, round_, gain=tweak.expected_gain, having=values[0]))
    return tweak if found or is_single(trial, asked.hold) else _nothing_found(asked, tweak, outlook)


def of_use(best: float, bargain: Bargain) -> bool:
    """Whether some formula is expected to be of use, or a round may find one that is: it brings what is stated."""
    return best > FAINT or bargain.gain >= bargain.worth * bargain.cost


def is_single(trial, hold: Mapping[str, float]) -> bool:
    """Whether what is held leaves a single formula: then there is nowhere else to look."""
    return held_region(trial, hold).freedom == 0


def _spare_melts(round_: Round, points: pd.DataFrame) -> tuple[str, ...]:
    """A note where more than one melt was asked for, and the pot is the same wherever one may go (`points`)."""
    recipe = round_.recipe
    if not recipe.pot or len(round_.melts) < 2:
        return ()
    pots = recipe.formula_at(points)[list(recipe.pot)]
    shared = [name for name in recipe.settings if name in recipe.per_melt]
    keys = pd.concat([pots.div(pots.sum(axis=1), axis=0), points[shared]], axis=1)
    return (ONE_POT,) if np.ptp(keys.to_numpy(dtype=float), axis=0).max() < ALIKE else ()


def bargain_of(asked: Asked, round_: Round, *, gain: float, having: float, known: float = 0.0) -> Bargain:
    """What a round costs and brings, at what is asked of a unit of cost."""
    cost = asked.trial.cost.of(rounds=1, melts=len(round_.melts), pours=len(round_.pours))
    return Bargain(gain=float(gain), cost=cost, worth=asked.worth, having=float(having), known=float(known))


def _nothing_found(asked: Asked, tweak: Tweak, outlook: Outlook) -> Tweak:
    """No formula is expected to be of use, and the round would hardly change that: look where least is known."""
    trial, round_, best = asked.trial, _teaching_round(asked), tweak.best[asked.names]
    advice = [words.nothing_found(trial, tweak.predictions), *words.failing(outlook.failing, best)]
    return replace(tweak, round=round_, stop=False, reasons=words.teaching(trial, round_), advice="\n".join(advice))


def searched(asked: Asked, outlook: Outlook) -> tuple[pd.DataFrame, np.ndarray, Asked]:
    """Points and their posterior expected desirability, highest first; what was held because nothing depends on it."""
    start = starting_points(asked.trial, asked.hold, size=SAMPLE, seed=asked.seed)
    points, values = _settled(asked, outlook, start)
    fewer = _with_untold(asked, outlook, points) if values[0] > FAINT else asked
    held = _held_start(fewer, points.iloc[:400]) if len(fewer.fixed) > len(asked.hold) else points.iloc[:0]
    if not len(held):                               # none of the best may be left within the limits
        return points, values, asked
    return *_settled(fewer, outlook, held, generations=4), fewer


def _settled(asked: Asked, outlook: Outlook, start: pd.DataFrame, generations: int = 7):
    """Points and their posterior expected desirability, highest first."""
    return highest(asked.trial.region, outlook.mean, start, seed=asked.seed, hold=asked.fixed, generations=generations)


def _with_untold(asked: Asked, outlook: Outlook, points: pd.DataFrame) -> Asked:
    """Holds what makes no difference at the value of the best pour."""
    made = poured_well(asked.trial)
    if not len(made):
        return asked
    best = made.iloc[[int(np.argmax(outlook.mean(made)))]]
    bases = pd.concat([points.iloc[[0]], best], ignore_index=True)
    spread = np.linspace(0, len(points) - 1, min(SPREAD, len(points))).astype(int)
    names = untold(asked.trial.region, outlook, bases, points.iloc[spread], asked.hold)
    values = {name: float(best[name].iloc[0]) for name in names}
    return replace(asked, fixed={**asked.hold, **values})


def _held_start(asked: Asked, points: pd.DataFrame) -> pd.DataFrame:
    held = asked.trial.recipe.held_at(points, asked.fixed)
    return held[asked.trial.region.includes(held)].drop_duplicates(ignore_index=True)


def targets_of(points: pd.DataFrame, seed: int) -> pd.DataFrame:
    """What one might settle on after the round: the best points, and others from all over."""
    rest = np.random.default_rng([seed, 53]).permutation(np.arange(min(50, len(points)), len(points)))
    return pd.concat([points.iloc[:50], points.iloc[rest[:TARGETS - 50]]], ignore_index=True)


def looked_over(asked: Asked, bench: Bench, points: pd.DataFrame) -> Looked:
    """The pours among which a round is chosen; points : coordinates looked at, best first."""
    return candidates(bench, points, seed=asked.seed, kept=_yardstick(asked, bench.outlook))


def _yardstick(asked: Asked, outlook: Outlook) -> pd.DataFrame:
    """In a second round the starting formula where no pour of it counts, one row of coordinates; no row where one does,
    where it may not be poured or is likely to fail, where few pours are asked for, or where something is held.

    It is what somebody uses today, and whatever is settled on has to beat it. A first round may have none to spare for
    it (`planning.wish.usual_control`); the second has, and later ones know whether it is worth a pour.
    """
    trial, names = asked.trial, asked.names
    start = trial.recipe.starting_factors[names]
    known = pd.concat([trial.made[names], trial.plan.set_index("pour")[names].astype(float)])
    known = without_aside(known, trial.set_aside)
    poured = len(known) > 0 and trial.recipe.apart(start, known).min() < words.AGAIN
    few = max(pours for pours, _ in asked.sizes) < COMPARED
    fails = outlook.failing is not None and outlook.failing.predict(start)["chance"].iloc[0] >= words.RISKY
    out = trial.next_round != 2 or poured or few or fails or bool(asked.hold) or not may_start(trial)
    return start.iloc[:0] if out else start


def best_round(asked: Asked, bench: Bench, jury, points: pd.DataFrame, looked: Looked) -> Looked:
    """The round with the largest gain per cost among the sizes, with a repeat where that is clearly worth more; with
    the starting formula where `_yardstick` asks for it."""
    settled = bench.outlook.draws(points.iloc[[0]])[:, 0]
    wide = bench.outlook.with_draws(WIDE // 2, asked.seed + 1)
    targets = cache(lambda: wide.known(targets_of(points, asked.seed)))

    def gain(round_: Looked) -> float:
        return gain_of(wide, jury, round_.points, round_.pots, targets())

    def gain_per_cost(size: tuple[int, int]) -> float:
        cost = asked.trial.cost.of(rounds=1, melts=size[1], pours=size[0])
        return gain(choose_round(looked, settled, size=size)) / cost

    size = max(asked.sizes, key=gain_per_cost) if len(asked.sizes) > 1 else asked.sizes[0]
    kept = _yardstick(replace(asked, sizes=(size,)), bench.outlook)
    keep = looked.at(kept, asked.trial.region)
    best = choose_round(looked, settled, size=size, keep=keep)
    best = refined(bench, best, settled, size=size, seed=asked.seed, kept=kept)
    again = [j for j in _repeats(bench, looked) if size[1] > 1 or not keep or looked.pots[j] == looked.pots[keep[0]]]
    repeats = [choose_round(looked, settled, size=size, keep=(*keep, j)) for j in again]
    worths = [gain(round_) for round_ in repeats]
    return repeats[int(np.argmax(worths))] if repeats and max(worths) > (1 + CLEAR) * gain(best) else best


def _repeats(bench: Bench, looked: Looked, count: int = 3) -> list[int]:
    """Columns of the best pours made so far, to be made again."""
    coded = bench.trial.region.coded
    made = poured_well(bench.trial)
    gap = np.abs(coded(looked.points)[:, None] - coded(made)[None]).max(axis=2)         # shares are computed from grams
    again = np.flatnonzero(gap.min(axis=1, initial=np.inf) < ALIKE)
    return sorted(again, key=lambda j: -looked.draws[:, j].mean())[:count]


def _handed_over(asked: Asked, outlook: Outlook, jury, round_: Round, best: pd.DataFrame, points) -> Tweak:
    """The tweak with its numbers taken at the formulas as they can be weighed."""
    trial, wide = asked.trial, outlook.with_draws(WIDE, asked.seed + 2)
    settled = best[asked.names]
    known = gain_if_known(outlook.with_draws(WIDE // 2, asked.seed + 1), settled, points)       # draws that are at hand
    worth = shown_worth(asked, wide, jury, round_, settled, points)
    predictions = _predictions(wide, settled)
    bargain = bargain_of(asked, round_, gain=worth.gain, having=predictions["mean"].iloc[-1], known=known)
    reasons = words.reasons(trial, round_, wide, settled, worth)
    advice = words.advice(trial, asked, wide, settled, bargain)
    advice = "\n".join([advice, *words.failing(wide.failing, settled)])
    return Tweak(round=round_, best=best, stop=not bargain.pays, expected_gain=worth.gain, gain_if_known=known,
                 advice=advice, predictions=predictions, reasons=reasons, scales=asked.trial.attributes)


def shown_worth(asked: Asked, wide: Outlook, jury, round_: Round, settled: pd.DataFrame, points: pd.DataFrame) -> Worth:
    """What a weighed round is worth, computed finely."""
    targets = wide.known(pd.concat([settled, targets_of(points, asked.seed)], ignore_index=True))
    melts = pd.factorize(round_.frame["melt"])[0]
    return worth_of(wide, jury, round_.frame[asked.names], melts, targets, **FINE)


def _predictions(outlook: Outlook, settled: pd.DataFrame) -> pd.DataFrame:
    """Mean and 90 % interval of each attribute's long-run mean, the chance of holding, desirability, where settled."""
    rows = []
    for name, surface in outlook.surfaces.items():
        found = surface.predict(settled, level=0.9).iloc[0]
        rows.append((name, found["mean"], found["low"], found["high"]))
    if outlook.failing is not None:
        chance, low, high = outlook.failing.predict(settled).iloc[0]
        rows.append((words.HOLDS, 1 - chance, 1 - high, 1 - low))
    draws = outlook.draws(settled)[:, 0]
    rows.append(("desirability", draws.mean(), *np.quantile(draws, [0.05, 0.95])))
    return pd.DataFrame(rows, columns=["attribute", "mean", "low", "high"])
