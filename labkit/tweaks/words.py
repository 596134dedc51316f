"""The tweak in plain words: the advice, and a reason for each pour."""

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
import pandas as pd

from labkit.aside import without_aside
from labkit.attributes import only_read, wanted_of
from labkit.planning.wish import start_outside
from labkit.rounds import Round
from labkit.surfaces.telling import told_bends
from labkit.tweaks.alone import failed_alone, newest_alone, poured_alone, waiting_alone
from labkit.tweaks.first import first_of_all, unpoured
from labkit.tweaks.outlook import LEAD, SAME, Outlook, wanted_part
from labkit.tweaks.price import Bargain
from labkit.tweaks.untold import LOSS, moved_along
from labkit.tweaks.worth import Worth
from labkit.wording import plural, short_text, words_joined

STARTING = "the starting formula, of which no pour counts so far: whatever is settled on has to beat it"
AGAIN = 0.02                   # of the range of every coordinate: the same formula but for weighing
MOVED = 0.1                    # of the range: a difference worth a word
NEAR = 0.01                    # of the range: as near as a usual balance comes to a value that is held
RISKY = 0.2                    # chance of failing that is worth a word
LITTLE = 0.5                   # desirability under which stopping is worth a word
HOLDS = "holds"                # the row of the chance that the settled formula holds, among the predictions


def percent(chance: float) -> str:
    """A chance in percent; no chance that follows from a fit is a certainty."""
    return "over 99 %" if chance > 0.995 else "under 1 %" if chance < 0.005 else f"{100 * chance:.0f} %"


def with_article(told: str) -> str:
    """`a 28 %`, `an 8 %`, and `under 1 %` as it is."""
    if not told[0].isdigit():
        return told
    return f"an {told}" if told.startswith("8") or told.split()[0] in ("11", "18") else f"a {told}"


def first_advice(trial, scored: int, hold: Mapping[str, float] = MappingProxyType({})) -> str:
    """What to say while there is nothing to go by."""
    starting = f"the starting formula{', but for what is held' if hold else ''}"
    judged = {word: f"scored {word} read" if trial.read_attributes else "scored" for word in ("or", "and")}
    if only_read(trial.attributes):
        judged = dict.fromkeys(judged, "read")
    so_far = (f"No pour has been {judged['or']} yet" if not scored
              else f"Only {plural(scored, 'pour')} has been {judged['or']} so far")
    known = f"{so_far}, so nothing is known about what to change."
    if where := start_outside(trial):
        starting += (f". It lies outside the limits ({where}), so no round has it: mend [formula] or the limits if "
                     "whatever is settled on is to be compared with it")
    if first := first_of_all(trial):
        return f"{known} {first} Then ask again: this round comes too early. The formula below is {starting}."
    return (f"{known} This round is planned to teach the most about all {_kinds(trial)} at once; the formula below is "
            f"{starting}. Pour the round, have it {judged['and']}, and ask again.")


def teaching(trial, round_: Round) -> pd.DataFrame:
    """The reason for each pour of a round that is planned to teach."""
    return round_.frame[["pour", "melt"]].assign(why=f"to teach the most about all {_kinds(trial)}")


def _kinds(trial) -> str:
    """What is said of pours: scores, or readings where there is nothing else."""
    return "readings" if only_read(trial.attributes) else "scores"


def nothing_found(trial, predictions: pd.DataFrame) -> str:
    """What to say when no formula is expected to give what is wanted."""
    table = predictions.set_index("attribute")
    best, rows = table.loc["desirability", "mean"], table.drop(index=["desirability", HOLDS], errors="ignore")
    worth = {name: float(wanted_part(trial.attributes[name].wanted, np.array(mean)))
             for name, mean in rows["mean"].items()}
    worst = min(worth, key=worth.get)
    scale = trial.attributes[worst]
    wanted, mean = scale.wanted, scale.with_unit(scale.told(rows.loc[worst, "mean"]))
    points = words_joined([f"{p:g}" for p in wanted.points], last="to")
    return (f"No formula within the limits is expected to give what you want: the best known comes to a desirability "
            f"of {best:.2f}. {worst} is furthest off: {mean} expected, wanted {wanted.kind} "
            f"{points}. This round is planned to teach the most instead. If its {_kinds(trial)} say the same, widen "
            "the limits, or what is wanted.")


def advice(trial, asked, outlook: Outlook, settled: pd.DataFrame, bargain: Bargain) -> str:
    """Go on or stop, with the numbers it follows from; then what is held and what is missing."""
    due = max(LEAD, bargain.unit * trial.cost.of(rounds=1, melts=1, pours=1))
    pay = _pay(bargain, "" if bargain.pays else _settling(trial, outlook, settled, tuple(asked.hold), due))
    pay += " Whether to stop is close: computed with another seed it may turn." * bargain.close
    first = first_of_all(trial) if unpoured(trial) or not bargain.pays else ""
    waits = [f"{first} Then ask again: that may turn what is said now."] * bool(first)
    left = [] if bargain.pays else [*_little(outlook, settled), *_unvaried(trial, asked.hold)]
    sentences = [*waits, pay, *left, *_held(trial, asked, outlook, settled), *missing(trial, outlook.surfaces)]
    return "\n".join(sentences)


def _little(outlook: Outlook, settled: pd.DataFrame) -> list[str]:
    """That one stops at a formula of which little is expected: stopping tells what a round brings, not what is good."""
    drawn = outlook.draws(settled)[:, 0]
    low, high = np.quantile(drawn, [0.05, 0.95])
    return [f"That is for want of a round that pays: the formula below is expected to give {drawn.mean():.2f} of all "
            f"that is wanted ({low:.2f} to {high:.2f}). If that is too little, pour the round all the same, or widen "
            "the limits or what is wanted."] * bool(drawn.mean() < LITTLE)


def _unvaried(trial, hold: Mapping[str, float]) -> list[str]:
    """What stopping leaves unknown: coordinates that may vary and have not, such as a factor added to trial.toml."""
    recipe, (low, high) = trial.recipe, trial.recipe.box
    judged = trial.made[trial.made.index.isin(trial.judged["pour"])]
    spread = np.ptp(recipe.over_ranges(judged), axis=0)
    same = [name for name, part, free in zip(recipe.coordinates, spread, high > low, strict=True)
            if part < MOVED and free and name not in hold]
    return [f"The pours so far hardly differ in {words_joined(same)}: what that does is not known. A round of "
            "plan_round would tell before you settle."] * bool(same)


def _settling(trial, outlook: Outlook, settled: pd.DataFrame, hold: tuple[str, ...] = (), due: float = LEAD) -> str:
    """What to settle on, and whether that was confirmed: what was poured alone, where it is as good.

    hold : coordinates that were asked to stay where `settled` has them; what was poured with other values is none.
    due : how much better another formula has to be to be worth pouring again.
    """
    alone, number = poured_alone(trial), newest_alone(trial)
    over, held = trial.recipe.over_ranges, [name in hold for name in trial.recipe.coordinates]
    if np.abs(over(alone) - over(settled))[:, held].max(initial=0.0) > AGAIN:
        alone = alone.iloc[:0]
    confirmed = f"appraise_confirmation(trial, {number}) says whether it did what was expected of it."
    failed = failed_alone(trial)
    if len(failed) and trial.recipe.apart(failed, settled[list(failed)]).max() < AGAIN:
        return (f"Find out why {words_joined(list(failed.index))} failed before you settle on the formula below: round "
                f"{number} poured it again. Then pour it once more to confirm it.")
    if not len(alone):
        waits = waiting_alone(trial)
        if not len(waits) or trial.recipe.apart(waits, settled[list(waits)]).max() >= AGAIN:
            return "Settle on the formula below, and pour it again to confirm it."
        return ("Settle on the formula below, and confirm it by round "
                f"{trial.plan['round'].max()}, which is planned to pour it again.")
    if trial.recipe.apart(alone, settled[list(alone)]).max() < AGAIN:
        return f"Settle on the formula below. Round {number} poured it again: {confirmed}"
    drawn = outlook.draws(pd.concat([settled[list(alone)], alone.iloc[[0]]], ignore_index=True))
    lead, chance = (drawn[:, 0] - drawn[:, 1]).mean(), (drawn[:, 0] > drawn[:, 1] + SAME).mean()
    price = ", what pouring it again must bring" if due > LEAD else ""
    if lead < due:
        return (f"Settle on what round {number} poured ({words_joined(list(alone.index))}): the formula below is not "
                f"expected to be better by {due:.2g}{price}. {confirmed}")
    return (f"Settle on the formula below: it is expected to be better by {lead:.3f} than what round {number} poured "
            f"({percent(chance)} sure). Pour it again to confirm it.")


def _pay(bargain: Bargain, settling: str = "") -> str:
    """Whether the round pays; where it does not alone, what is left, and what to settle on."""
    numbers = (f"This round would cost {bargain.cost:g} and is expected to raise desirability (0 to 1) by "
               f"{bargain.gain:.3f}, {bargain.told()}.")
    if bargain.alone:
        return f"Pour this round. {numbers}"
    if bargain.pays:
        return (f"Pour this round. {numbers} Alone it brings too little, but with everything known {bargain.known:.3f} "
                "could be gained, more than three such rounds must bring: it may take them.")
    return f"Stop here. {numbers} Were everything known, {bargain.known:.3f} could be gained. {settling}"


def failing(surface, settled: pd.DataFrame) -> list[str]:
    """Which pours failed, and the chance that the formula below holds; surface : a Failing, None where none did."""
    if surface is None:
        return []
    told = surface.in_one_line()
    holds = 1 - surface.predict(settled)["chance"].iloc[0]
    return [f"{told[0].upper()}{told[1:]}; the formula below holds with a chance of {holds:.2f}."]


def _held(trial, asked, outlook: Outlook, settled: pd.DataFrame) -> list[str]:
    """One sentence for each factor that is held because it makes no difference, and not by trial.toml anyway."""
    return [_held_words(trial, name, asked.fixed[name], outlook, settled)
            for name in asked.fixed if name not in asked.hold and name in trial.recipe.varying]


def _held_words(trial, name: str, value: float, outlook: Outlook, settled: pd.DataFrame) -> str:
    """That nothing can be told to depend on a factor; or what does, though no more where the best lies.

    Only where nothing at all depends on it, and nowhere in its range much is expected to be lost, is it a matter of
    the eye.
    """
    (low, high), weighed = trial.recipe.bounds.loc[name, ["low", "high"]], settled[name].item()
    near = f" ({short_text(weighed)} as it can be weighed)" if abs(weighed - value) > NEAR * (high - low) else ""
    held = f"and finding out would bring little: it is held at {short_text(value)}{near}, as in the best pour."
    if changed := _changed_by(name, outlook.surfaces):
        return (f"What you want can hardly be told to depend on {name} where the best lies, though {changed} on "
                f"average, {held} Stay near that.")
    or_read = " or read" if trial.read_attributes else ""
    judged = f"Nothing you score{or_read} ({words_joined(wanted_of(trial.attributes))})"
    return (f"{judged} can be told to depend on {name}, {held} "
            f"{_by_eye(trial, name, outlook, settled)}")


def _by_eye(trial, name: str, outlook: Outlook, settled: pd.DataFrame) -> str:
    """Whether a factor on which nothing can be told to depend may be chosen; not where LOSS or more may go with it."""
    here = settled[list(trial.recipe.coordinates)].reset_index(drop=True)
    along = moved_along(trial.region, here, name)
    desired = outlook.mean(pd.concat([here, along], ignore_index=True))
    if desired[0] - desired.min() < LOSS:
        return "Choose it by eye, or score what it changes."
    worst = along[name].iloc[int(desired[1:].argmin())]
    return f"Stay near that: at {short_text(worst)} a desirability of only {desired.min():.2f} is expected."


def _changed_by(name: str, surfaces) -> str:
    """What a factor surely changes, from its low to its high and in its middle, or nothing."""
    ways = {"from its low to its high it changes {}": lambda surface: surface.effects,
            "the middle of its range changes {} against its ends": told_bends}
    told = []
    for way, table_of in ways.items():
        rows = {attribute: table_of(surface).reindex([name]).iloc[0] for attribute, surface in surfaces.items()}
        scales = {attribute: surface.posterior.attribute for attribute, surface in surfaces.items()}
        sure = [f"{name} by {scales[name].with_unit(scales[name].told(row['effect'], sign='+'))}"
                for name, row in rows.items() if row["low"] > 0 or row["high"] < 0]
        told += [way.format(words_joined(sure))] * bool(sure)
    return words_joined(told) if told else ""


def missing(trial, surfaces) -> list[str]:
    """What is wanted of which too little is known, in a sentence where there is any, and what to do about it."""
    names = [name for name in wanted_of(trial.attributes) if name not in surfaces]
    if not names:
        return []
    has, plays, it = ("has", "plays", "it") if len(names) == 1 else ("have", "play", "them")
    kinds = sorted({"readings" if trial.attributes[name].is_read else "scores" for name in names}, reverse=True)
    judged = words_joined(["scored" if kind == "scores" else "read" for kind in kinds], last="or")
    return [f"{words_joined(names)} {has} too few {words_joined(kinds, last='or')} yet and {plays} no part in this. "
            f"Have {it} {judged} before you settle."]


def reasons(trial, round_: Round, outlook: Outlook, settled: pd.DataFrame, worth: Worth) -> pd.DataFrame:
    """A row a pour: predicted desirability, its 90 % interval and uncertainty before and after, chance of beating the
    settled formula, nearest pour and how far it is (largest difference, as a part of the range), and why in words."""
    names = list(trial.recipe.coordinates)
    base, each = np.hsplit(outlook.draws(pd.concat([settled[names], round_.frame[names]], ignore_index=True)), [1])
    nearest, distance = _nearest(trial, round_.frame[names])
    low, high = np.quantile(each, [0.05, 0.95], axis=0)
    table = pd.DataFrame({"pour": round_.frame["pour"], "melt": round_.frame["melt"], "desirability": each.mean(axis=0),
                          "low": low, "high": high, "sd before": worth.before, "sd after": worth.after,
                          "chance of beating the best": (each > base + SAME).mean(axis=0), "nearest pour": nearest,
                          "distance": distance})
    moved = _moves(trial, round_.frame[names], settled[names])
    if outlook.failing is not None:
        table.insert(table.columns.get_loc("nearest pour"), "chance of failing",
                     outlook.failing.predict(round_.frame[names])["chance"].to_numpy())
    itself, start = (trial.recipe.apart(round_.frame[names], one[names])[:, 0] < AGAIN
                     for one in (settled, trial.recipe.starting_factors))
    rows = table.assign(stepped=_stepped(trial, round_.frame[names], nearest)).to_dict("records")
    table["why"] = [(STARTING if first and row["distance"] >= AGAIN else
                     _why(row, "" if same else where, float(base.mean()), float(base.std(ddof=1)))) + _risk(row)
                    for row, where, same, first in zip(rows, moved, itself, start, strict=True)]
    return table


def _stepped(trial, points: pd.DataFrame, nearest: list[str]) -> list[str]:
    """In words the settings of each point that are a step from the nearest pour, which is no difference; or nothing."""
    recipe, made = trial.recipe, without_aside(trial.made, trial.set_aside)
    if not len(made) or not recipe.settings:
        return [""] * len(points)
    gaps = np.abs(recipe.over_ranges(points) - recipe.over_ranges(made.loc[nearest]))
    off = pd.DataFrame(gaps, columns=list(recipe.coordinates))[list(recipe.settings)] > AGAIN
    return [f" but for a step of {words_joined(row.index[row])}" if row.any() else "" for _, row in off.iterrows()]


def _risk(row: dict) -> str:
    chance = row.get("chance of failing", 0.0)
    return f"; it may fail (chance {chance:.2f})" if chance >= RISKY else ""


def _nearest(trial, points: pd.DataFrame) -> tuple[list[str], np.ndarray]:
    """The pour nearest to each point, of those that count, and how far it is: "" and nan where none does."""
    made = without_aside(trial.made, trial.set_aside)
    if not len(made):
        return [""] * len(points), np.full(len(points), np.nan)
    gap, over = trial.recipe.apart(points, made), trial.recipe.over_ranges
    bare = np.abs(over(points)[:, None] - over(made)[None]).max(axis=2)
    nearest = np.lexsort((bare, np.maximum(gap, AGAIN)))[:, 0]      # of those alike but for steps, the one set alike
    return [str(made.index[j]) for j in nearest], gap[np.arange(len(gap)), nearest]


def _moves(trial, points: pd.DataFrame, settled: pd.DataFrame) -> list[str]:
    """In words where each pour lies from the settled formula: "more wax, less load"."""
    over = trial.recipe.over_ranges
    parts = pd.DataFrame(over(points) - over(settled), columns=list(trial.recipe.coordinates))
    moved = [{name: part for name, part in row.items() if abs(part) > MOVED} for _, row in parts.iterrows()]
    return [words_joined([f"{'more' if part > 0 else 'less'} {name}" for name, part in row.items()]) if row
            else "hardly any change" for row in moved]


def _why(row: dict, where: str, settled: float, known: float) -> str:
    """What the pour is for, with the numbers it follows from; settled, known : mean and sd of the settled formula.

    where : how it differs from the settled formula; empty where it is that one.
    """
    if row["distance"] < AGAIN:
        again = f"{row['nearest pour']} again{row.get('stepped', '')}"
        return f"{again}, because one more pour of it tells more than a new formula"
    if not where:
        return "the formula below itself, because a pour of it tells more than one of another"
    told = percent(row["chance of beating the best"])
    chance, some = (f"{text} chance of beating it" for text in (told, with_article(told)))
    if row["desirability"] > 0.95 * settled:
        return f"{where} against the formula below, and as good as far as is known: {chance}"
    if row["chance of beating the best"] > 0.2:
        return f"{where} against the formula below, with {some}"
    if row["sd before"] > known:
        return (f"{where} against the formula below, where less is known: the uncertainty of {row['sd before']:.2f} "
                f"({known:.2f} at the formula below) becomes {row['sd after']:.2f}")
    return f"{where} against the formula below, for what it adds to the others of the round: {some}"
