"""Printable sheets: one HTML file each, black on white, for A4 and Letter. Text in, text out; `store` keeps files."""

from collections.abc import Mapping

from labkit.cautions import AT_THE_BENCH, CAUTIONS
from labkit.checks import check_share
from labkit.errors import PlanError
from labkit.formula import Recipe
from labkit.ingredients import melts_up_to
from labkit.planning import round_of
from labkit.rounds import ALLOWANCE, Round
from labkit.sheets.ballot import ballot_book, ballots
from labkit.sheets.page import page
from labkit.trial import Trial, check_trial
from labkit.wording import number_text, plural, unit_text

__all__ = ["ballot_book", "ballots", "bench_sheet"]

# What may be wrong with a stick (Dweck & Burnham 1981, Cosmetics and Toiletries 96:67, second-hand; common practice).
DEFECTS = ("sweating", "bleeding", "bloom", "streaks", "seams", "laddering", "out of shape", "craters", "mushy core",
           "sink hole", "grainy")
PLACES = 3              # on the sheet for readings of one pour; more where the trial has more of one already
USUAL_WAIT = "a day, and four days with carnauba"
WARM_ROOM = 25          # degC: what melts below is an oil at the bench
USUAL_HEAT, HOT_HEAT = 85, 90   # degC: common practice; waxes that melt near 86, such as carnauba, want the second


def bench_sheet(trial: Trial, round_: Round | int, *, allowance: float = ALLOWANCE) -> str:
    """The sheet for one evening at the bench: what to melt, what to draw and stir in, and room for what was weighed.

    round_ : a Round that need not be kept yet, or the number of a planned round.
    Where an instrument reads an attribute there is a place for its readings of each pour, once they have set.
    `allowance` is the share of extra base melted for what stays in the beaker [g/g]; its proportions do not change.
    """
    check_share(allowance, name="allowance", error=PlanError, high=0.5)
    check_trial(trial, error=PlanError)
    round_ = round_of(round_, trial, error=PlanError)
    return page("bench.html", title=f"{trial.name}: round {round_.number}", trial=trial.name, round=round_.number,
                 step=f"{trial.batch.balance_step_g:g}", allowance=f"{100 * allowance:g}", defects=DEFECTS,
                 cautions={name: CAUTIONS[name] for name in AT_THE_BENCH}, notes=round_.notes, heat=_heat(trial),
                 melts=_melts(round_, allowance), pours=_pours(round_, trial.recipe), by_base=_by_base(round_),
                 instruments=_instruments(trial), wait=_wait(trial.batch.wait_h), usual_wait=USUAL_WAIT)


def _heat(trial: Trial) -> str:
    """To what the pot is heated: above the highest melting range known, as common practice has it.

    A tint of oils and pigments has nothing to melt, and with pigment in it never gets clear.
    """
    recipe = trial.recipe
    things = recipe.pot or recipe.ingredients
    pieces = dict.fromkeys(piece for thing in things for piece in recipe.shelf.made_of.get(thing, (thing,)))
    known = {name: up_to for name in pieces if (up_to := _melts_up_to(trial, name)) and up_to > WARM_ROOM}
    if not known:
        return f"Heat only what has to be melted, until it is clear, to about {USUAL_HEAT} °C (common practice)."
    last = max(known, key=known.get)
    if known[last] > HOT_HEAT:                   # as the trial's own [pantry] may say
        return f"Heat until clear, to a little above {known[last]:g} °C: {last} melts up to that."
    target = HOT_HEAT if known[last] > USUAL_HEAT else USUAL_HEAT
    return f"Heat until clear, to about {target} °C (common practice): {last} melts up to {known[last]:g} °C."


def _melts_up_to(trial: Trial, name: str) -> float | None:
    """The upper end of a melting range [degC], as the trial's own [pantry] has it or as it is known here."""
    own = trial.definition.pantry.get(name)
    return own["melting"][1] if isinstance(own, Mapping) and "melting" in own else melts_up_to(name)


def _wait(hours: float) -> str:
    """How long this trial waits, in days where they are whole; nothing where it does not wait."""
    if hours % 24 or not hours:
        return f"{hours:g} h" if hours else ""
    return "a day" if hours == 24 else plural(int(hours // 24), "day")


def _instruments(trial: Trial) -> list[dict]:
    """A dict an attribute that an instrument reads: its name, what is read, in which unit, within what, how often."""
    often = trial.standing_readings.groupby(["attribute", "pour"]).size()
    return [{"name": a.name.replace("_", " "), "reading": a.reading, "unit": unit_text(a.unit),
             "low": f"{a.low:g}", "high": f"{a.high:g}",
             "places": max([PLACES, *often.get(a.name, [])])} for a in trial.read_attributes.values()]


def _by_base(round_: Round) -> dict:
    """Heads, and a row a pour: grams of each thing stirred in for one gram of base drawn."""
    if not (round_.recipe.pot and round_.recipe.stirred):
        return {}
    table = round_.per_gram_of_base()
    rows = [[row.iloc[0], *(number_text(value, 4) for value in row.iloc[2:])] for _, row in table.iterrows()]
    return {"heads": [c.removesuffix(" [g/g]") for c in table.columns[2:]], "rows": rows}


def _melts(round_: Round, allowance: float) -> list[dict]:
    """A dict a melt: its name, pours, rows (ingredient, grams to add to the pan), and what they are together."""
    if not round_.recipe.pot:
        return []
    sheet, made = round_.melt_sheet(allowance).set_index("melt").drop(columns="pours"), round_.to_frame()
    return [{"name": melt, "pours": list(made.loc[made["melt"] == melt, "pour"]),
             "rows": [(column.removesuffix(" [g]"), round_.batch.told(grams)) for column, grams in row.items()],
             "total": round_.batch.told(row.sum()), "settings": _of_the_pot(round_, made[made["melt"] == melt].iloc[0])}
            for melt, row in sheet.iterrows()]


def _of_the_pot(round_: Round, pour: Mapping) -> list[str]:
    """What is set for a pot as a whole, in words: it has to be known before the pot is divided."""
    settings = [s for s in round_.recipe.setting_list if s.name in round_.recipe.per_melt]
    return [f"{s.name.replace('_', ' ')} {number_text(pour[s.name], round_.digits[s.name])} {unit_text(s.unit)}".strip()
            for s in settings]


def _pours(round_: Round, recipe: Recipe) -> dict:
    """Column heads, and a row a pour in pour order: name, melt, then (target, unit) for all that is weighed or set."""
    sheet = round_.pour_sheet().sort_values("order")
    units = {setting.name: unit_text(setting.unit) for setting in recipe.setting_list}
    weighed = [column for column in sheet if column.endswith(" [g]")]
    heads = [c.removesuffix(" [g]") for c in weighed] + [name.replace("_", " ") for name in units]
    rows = [{"pour": row["pour"], "melt": row["melt"],
             "cells": [(number_text(row[c], round_.digits[c]), "g") for c in weighed] +
                      [(number_text(row[name], round_.digits[name]), unit) for name, unit in units.items()]}
            for _, row in sheet.iterrows()]
    return {"heads": heads, "rows": rows}
