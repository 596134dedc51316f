"""What is asked of a round, checked; the part of the region a hold leaves; the pour a control repeats."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import pandas as pd

from labkit.checks import (
    MOST_PLANNED,
    check_choice,
    check_held,
    check_hold,
    check_size,
    check_whole,
    more_melts_than_pours,
)
from labkit.core.terms import MODELS
from labkit.errors import FormulaError, PlanError, RegionError
from labkit.handing import fixed
from labkit.planning.points import Points
from labkit.pours import never_weighed
from labkit.region import Region
from labkit.statements import Blend, Setting, Share
from labkit.trial import Trial
from labkit.wording import words_joined

CRITERIA = ("I", "D")
PRIORS = ("weak", "flat")
STARTING, NOTHING = "starting formula", "none"  # what `control` may name beside pours
COMPARED = 3  # pours of a first round from which the starting formula is one of them


@dataclass(frozen=True, kw_only=True)
class Wish:
    """The arguments of `plan_round`; None where the kit is to propose."""

    pours: int | None = None
    melts: int | None = None
    seed: int = 0
    criterion: str = "I"
    prior: str = "weak"
    model: str = "quadratic"
    control: str | None = None
    repeats: int = 0
    hold: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self):
        check_choice(self.criterion, CRITERIA, name="criterion", error=PlanError)
        check_choice(self.prior, PRIORS, name="prior", error=PlanError)
        check_choice(self.model, MODELS, name="model", error=PlanError)
        whole = {"seed": check_whole(self.seed, name="seed", low=0, high=2**32 - 1, error=PlanError),
                 "repeats": check_whole(self.repeats, name="repeats", low=0, high=MOST_PLANNED, error=PlanError)}
        whole |= {name: check_size(getattr(self, name), name=name, error=PlanError) for name in ("pours", "melts")
                  if getattr(self, name) is not None}
        for name, value in whole.items():               # what numpy counts in few bits, or without a sign, overflows
            object.__setattr__(self, name, value)
        object.__setattr__(self, "hold", fixed(check_hold(self.hold, error=PlanError)))
        if self.control is not None and not isinstance(self.control, str):
            raise PlanError(f"control is {self.control!r}. Give the name of one pour, {STARTING!r} or {NOTHING!r}.")
        if self.pours is not None and self.melts is not None and self.melts > self.pours:
            raise PlanError(more_melts_than_pours(self.melts, self.pours))


def held_region(trial: Trial, hold: Mapping[str, float]) -> Region:
    """The region with coordinates held at values; the region itself where nothing is held."""
    recipe = trial.recipe
    hold = check_held(hold, bounds=recipe.bounds, blends=recipe.blends, error=PlanError)
    if not hold:
        return trial.region
    held = replace(
        recipe,
        shares=tuple(_pinned(s, hold) for s in recipe.shares),
        blend_list=tuple(_pinned_blend(blend, hold) for blend in recipe.blend_list),
        setting_list=tuple(_pinned(s, hold) for s in recipe.setting_list),
    )
    try:
        return Region(recipe=held, floor=trial.region.floor)
    except (RegionError, FormulaError):
        words = words_joined([f"{name} = {value:g}" for name, value in hold.items()])
        raise PlanError(f"no formula within the limits has {words}. Hold another value, or widen a limit.") from None


def _pinned(stated: Share | Setting, hold: Mapping[str, float]) -> Share | Setting:
    value = hold.get(stated.name)
    return stated if value is None else replace(stated, low=float(value), high=float(value))


def _pinned_blend(blend: Blend, hold: Mapping[str, float]) -> Blend:
    low = [float(hold.get(c, low)) for c, low in zip(blend.columns, blend.low)]
    high = [float(hold.get(c, high)) for c, high in zip(blend.columns, blend.high)]
    return replace(blend, low=tuple(low), high=tuple(high))


def usual_control(trial: Trial, wish: Wish, pours: int) -> str | None:
    """What `control` means where it is left out: the starting formula in a first round, as a yardstick.

    It is what somebody uses today, and whatever is settled on has to beat it. A round of fewer pours than a surface
    without any curvature has terms has none to spare for it: in rehearsals with four factors and four pours the mean
    ratio to the best possible after the first round was .69 with it and .78 without (68 worlds, with pours at most .65
    of the way to the limits, where nearly all are anyway). It is one of the second round then (`tweaks.suggest`).
    """
    if wish.control is not None:
        return None if wish.control == NOTHING else wish.control
    later = len(trial.made) or len(trial.plan)
    asked = wish.hold or wish.repeats or wish.prior != "weak"
    if later or asked or pours < max(COMPARED, 1 + trial.region.freedom):
        return None
    return STARTING if may_start(trial) else None


def may_start(trial: Trial) -> bool:
    """Whether the starting formula can be weighed and keeps the limits."""
    start = trial.recipe.starting
    return bool(trial.batch.can_weigh(start.to_numpy()).all() and trial.region.contains(start)[0])


def control_point(trial: Trial, control: str) -> Points:
    """The starting formula, or a pour to be made again: as weighed, or as planned where it never was."""
    made, plan = trial.made, trial.plan.set_index("pour")
    never = control in plan.index and control in never_weighed(trial.pours)
    if control == STARTING:
        return _starting_point(trial)
    if control in made.index:
        row, inside = made.loc[[control]], bool(made.at[control, "inside"])
    elif control in trial.left_out and not never:
        raise PlanError(f"control {control} cannot be repeated: {trial.left_out[control]}")
    elif control in plan.index:
        row, inside = plan.loc[[control]], True
    else:
        known = [*made.index, *(name for name in plan.index if name not in made.index)]
        choice = words_joined([*known, repr(STARTING), repr(NOTHING)], last="or")
        raise PlanError(f"control {control!r} is not among the pours. Choose {choice}.")
    if not inside:
        raise PlanError(
            f"control {control} lies outside the limits: {outside_words(trial, row.iloc[0])}. Choose another pour, or "
            "widen the limits."
        )
    return Points.at(trial.recipe, trial.recipe.at_ends(row[list(trial.recipe.coordinates)].astype(float)))


def _starting_point(trial: Trial) -> Points:
    recipe = trial.recipe
    if words := start_outside(trial):
        raise PlanError(
            f"the starting formula lies outside the limits: {words}. Leave it out with control='{NOTHING}', or widen "
            "the limits."
        )
    return Points.at(recipe, recipe.starting_factors[list(recipe.coordinates)])


def start_outside(trial: Trial) -> str:
    """Where the starting formula breaks the limits, so that no round has it, or nothing."""
    if trial.region.contains(trial.recipe.starting)[0]:
        return ""
    return outside_words(trial, trial.recipe.starting_factors.iloc[0])


def outside_words(trial: Trial, row: pd.Series) -> str:
    """Which coordinates are out of their range, or else that a limit on the formula is broken."""
    words = []
    for c, (low, high) in trial.recipe.bounds.iterrows():
        if not _is_within(row[c], low, high):
            told = (f"{row[c]:.{digits}g}" for digits in range(4, 18))         # as many as show it outside
            value = next(text for text in told if not _is_within(float(text), low, high))
            words.append(f"{c} is {value}, its limits are {low:g} to {high:g}")
    return words_joined(words) if words else "it breaks one of [[limits]]"


def _is_within(value: float, low: float, high: float) -> bool:
    return low - 1e-9 <= value <= high + 1e-9
