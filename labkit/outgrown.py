"""What was planned or made while trial.toml was another: outside its present limits, or in what no factor describes."""

import numpy as np
import pandas as pd

from labkit.aside import without_aside
from labkit.attributes import ENOUGH, USUAL, Attribute
from labkit.region import REACH
from labkit.rounds import grams_column
from labkit.trial import Trial
from labkit.weighed import are_inside
from labkit.wording import unit_text, words_joined

OFF = 0.1              # of what the formula at a pour's own factors has of an ingredient
BY_HAND = 0.1          # of a setting's range, or of what it is pinned at: as far as a hand may miss it
SPARE = 0.1            # of a scale: what a reading of several pours has to reach over
SMALL = 0.25           # of a scale: scores within so much of it may have been given on another
# Of honest panels on a scale from 0 to 20, six testers and four pours of 4 to 8 on average, 2 to 6 % score so; of those
# on one from 0 to 10 that was doubled since, 17 to 78 % do at 6 to 8 (simulated, with the usual noise of testers).
MANY, AT_ITS_END = 24, 2
SLACK = 5              # balance steps besides: as near as a hand comes to what it is to weigh


def told_outgrown(trial: Trial) -> list[str]:
    """Which rows do not fit the present trial.toml, and stay; with advice where something is to be done about them."""
    outside = trial.made.index[~trial.made["inside"]]
    return ([f"Outside the present limits, and kept: {words_joined(outside)}."] * bool(len(outside))
            + told_steps(trial, trial.made.loc[outside])
            + told_far(trial) + told_undescribed(trial) + told_scales(trial) + told_spare(trial)
            + told_waiting(trial))


def told_steps(trial: Trial, outside: pd.DataFrame) -> list[str]:
    """Settings that alone, and by little, put pours outside, as a thermometer does that cannot be read nearer."""
    recipe, told = trial.recipe, []
    beyond = pd.DataFrame(recipe.beyond_ranges(outside), columns=list(recipe.coordinates), index=outside.index)
    for s in recipe.setting_list:
        off = beyond.loc[beyond[s.name] > s.room, s.name]
        near = off[off <= BY_HAND * (s.high - s.low or abs(s.low))]
        back = outside.loc[near.index, list(recipe.coordinates)].assign(**{s.name: s.low})
        alone = near[~outside_now(trial, back)]
        if len(alone):
            where = f"{words_joined(alone.index)} {'is' if len(alone) == 1 else 'are'} outside by {s.name} alone, "
            most = f"{'up to ' * (len(alone) > 1)}{alone.max():.3g} {unit_text(s.unit)}".strip()
            told.append(f"{where}by {most}. Where it cannot be set or read nearer than that, say so with step under "
                        f"[settings.{s.name}].")
    return told


def told_far(trial: Trial) -> list[str]:
    """Pours so far outside a low or a high that the surfaces make little of them."""
    made, told = without_aside(trial.made, trial.set_aside), []
    beyond, box = np.abs(trial.recipe.over_ranges(made) - 0.5) - 0.5, np.transpose(trial.recipe.box)
    for name, parts, (low, high) in zip(trial.recipe.coordinates, beyond.T, box, strict=True):
        far = list(made.index[parts > REACH])
        if high > low and far:
            told.append(f"{words_joined(far)} {'lies' if len(far) == 1 else 'lie'} more than twice its range "
                        f"outside {name} from {low:g} to {high:g}. Surfaces make little of what is so far off: widen "
                        f"it to see what {name} does.")
    return told


def told_undescribed(trial: Trial) -> list[str]:
    """Pours made that are not the formula at their own factors; what was set aside is not told: it plays no part."""
    made = trial.made_formulas.loc[without_aside(trial.made, trial.set_aside).index]
    told = []
    for pours, most in _by_ingredient(trial, made):
        one = len(pours) == 1
        hold, their, they = ("holds", "its", "it") if one else ("hold up to", "their", "they")
        stay, did = ("stays", "did") if one else ("stay", "did")
        told.append(f"{words_joined(pours)} {hold} {most} than {their} factors say. No factor describes that, and "
                    f"{they} {stay} in the fit as if {they} {did} not: let a factor describe it, or set aside what can "
                    "no longer be compared.")
    return told


def told_scales(trial: Trial) -> list[str]:
    """Sessions whose scores of an attribute all fit a usual scale that is a small part of the one it has; or the scale
    that it has where nothing is stated, if that is half of it or less, and its upper end was given and never passed."""
    told, scores = [], trial.standing_scores
    for name, a in trial.scored_attributes.items():
        sessions = list(scores[scores["attribute"] == name].groupby("session", sort=False)["score"])
        for fits, enough, at_end in ((_fits_small, ENOUGH, 0), (_fits_default, MANY, AT_ITS_END)):
            small = {session: said for session, said in sessions if fits(said, a)}
            said = pd.concat(small.values()) if small else pd.Series(dtype=float)
            fives = (said % 5 == 0).sum() >= len(said) / 2                                # of 100 people say fives
            if len(said) >= enough and (said == Attribute.high).sum() >= at_end and not fives:
                told.append(_told_scale(a, list(small), said))
                break
    return told


def _told_scale(a: Attribute, sessions: list[str], said: pd.Series) -> str:
    where = f"session{'s' * (len(sessions) > 1)} {words_joined(sessions)}"
    return (f"All {len(said)} scores of {a.name} in {where} run from {min(said):g} to {max(said):g}, but its scale "
            f"from {a.low:g} to {a.high:g}. If they were given on another scale, convert them with correct_scores, or "
            "put that scale back in trial.toml.")


def told_spare(trial: Trial) -> list[str]:
    """Attributes that an instrument reads, whose scale is many times as wide as what was read of several pours."""
    told, means = [], trial.standing_readings.groupby(["attribute", "pour"])["value"].mean()
    for name, a in trial.read_attributes.items():
        read = means[means.index.get_level_values("attribute") == name]
        if len(read) >= ENOUGH and np.ptp(read) <= SPARE * a.width:
            here, scale = a.with_unit(a.told(read.max())), a.with_unit(f"{a.high:g}")
            told.append(f"The {len(read)} pours read for {name} lie from {a.told(read.min())} to {here}, but its scale "
                        f"from {a.low:g} to {scale}. What is held possible beforehand goes with its width: let it run "
                        "from the least to the most that a pour may read.")
    return told


def _fits_default(said: pd.Series, attribute: Attribute) -> bool:
    """Whether scores fit the scale of an attribute that states none, and it is half of the one it has or less."""
    narrow = 2 * (Attribute.high - Attribute.low) <= attribute.width
    return narrow and said.between(Attribute.low, Attribute.high).all()


def _fits_small(said: pd.Series, attribute: Attribute) -> bool:
    """Whether scores fit a usual scale that is a small part of the attribute's."""
    return any(b - a <= SMALL * attribute.width and said.between(a, b).all() for a, b in USUAL)


def told_waiting(trial: Trial) -> list[str]:
    """Pours planned and not poured that the present limits do not allow, or that are not what their factors say now."""
    plan = trial.plan[~trial.plan["pour"].isin(trial.pours["pour"])]
    if not len(plan):
        return []
    recipe, late = trial.recipe, list(plan.loc[outside_now(trial, plan), "pour"])
    grams = plan.set_index("pour")[[grams_column(i) for i in recipe.ingredients]].astype(float)
    formulas = grams.div(grams.sum(axis=1), axis=0).set_axis(list(recipe.ingredients), axis=1)
    told = [f"Planned outside the present limits, and not poured: {words_joined(late)}. {_instead(late)}"] * bool(late)
    return told + [f"Planned with {'' if len(pours) == 1 else 'up to '}{most} than would be planned now, and not "
                   f"poured: {words_joined(pours)}. {_instead(pours)}"
                   for pours, most in _by_ingredient(trial, formulas)]


def outside_now(trial: Trial, points: pd.DataFrame) -> np.ndarray:
    """Which of the points (their coordinates) the present limits do not allow, by more than a balance step."""
    step = trial.batch.balance_step_g / trial.batch.pour_g
    return ~are_inside(trial.region, points[list(trial.recipe.coordinates)].astype(float), step)


def _instead(pours: list[str]) -> str:
    their, them = ("its row", "it") if len(pours) == 1 else ("their rows", "them")
    return f"Delete {their} in plan.csv, or pour {them} where that is still wanted."


def undescribed(trial: Trial, formulas: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """By pour and what it is made of in the end, g/g: all that it holds; and more, or less, than its factors say, or 0.

    A paste counts as what is in it: another paste of the same colorants differs by its oil alone. 0 is what is little.
    """
    recipe = trial.recipe
    parts = pd.DataFrame([recipe.shelf.made_of.get(i, {i: 1.0}) for i in recipe.ingredients],
                         index=recipe.ingredients).fillna(0.0)
    held, drift = formulas @ parts, (recipe.drift(formulas) if len(formulas) else formulas) @ parts
    little = OFF * (held - drift) + SLACK * trial.batch.balance_step_g / trial.batch.pour_g * parts.max()
    return held, drift.where(drift.abs() > little, 0.0)


def _by_ingredient(trial: Trial, formulas: pd.DataFrame) -> list[tuple[list[str], str]]:
    """Pours by an ingredient in which they are off, and in words by how much at most.

    First the one in which most are; of several the one that is off most as a part of what is, or should be, in it.
    """
    (held, far), found = undescribed(trial, formulas), []
    while (far != 0).any(axis=None):
        part = (far.abs() / np.maximum(held, held - far)).fillna(0.0).max()
        ingredient = max(far, key=lambda name: ((far[name] != 0).sum(), part[name]))
        off = far.loc[far[ingredient] != 0, ingredient]
        way = words_joined(["more"] * bool((off > 0).any()) + ["less"] * bool((off < 0).any()), last="or")
        found.append((list(off.index), f"{100 * off.abs().max():.1f} % of the batch {way} {ingredient}"))
        held, far = held.drop(index=off.index), far.drop(index=off.index)
    return found
