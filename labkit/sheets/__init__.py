"""Printable sheets: one HTML file each, black on white, for A4 and Letter. Text in, text out; `store` keeps files."""

from labkit.cautions import AT_THE_BENCH, CAUTIONS
from labkit.checks import check_share
from labkit.errors import PlanError
from labkit.formula import Recipe
from labkit.rounds import ALLOWANCE, Round
from labkit.trial import Trial
from labkit.wording import number_text


def bench_sheet(trial: Trial, round_: Round, *, allowance: float = ALLOWANCE) -> str:
    """The sheet for one evening at the bench: what to melt, what to draw and stir in, and room for what was weighed.

    `allowance` is the share of extra base melted for what stays in the beaker [g/g]; its proportions do not change.
    """
    check_share(allowance, name="allowance", error=PlanError, high=0.5)
    return _page("bench.html", title=f"{trial.name}: round {round_.number}",
                 step=f"{trial.batch.balance_step_g:g}", allowance=f"{100 * allowance:g}",
                 cautions={name: CAUTIONS[name] for name in AT_THE_BENCH}, notes=round_.notes,
                 melts=_melts(round_, allowance), pours=_pours(round_, trial.recipe))


def _page(template: str, **values) -> str:
    import jinja2

    house = jinja2.Environment(loader=jinja2.PackageLoader("labkit.sheets"), autoescape=True, trim_blocks=True,
                               lstrip_blocks=True, undefined=jinja2.StrictUndefined)
    return house.get_template(template).render(**values)


def _melts(round_: Round, allowance: float) -> list[dict]:
    """A dict a melt: its name, pours, and rows (ingredient, grams to weigh)."""
    if not round_.recipe.pot:
        return []
    sheet, made = round_.melt_sheet().set_index("melt").drop(columns="pours") * (1 + allowance), round_.to_frame()
    return [{"name": melt, "pours": list(made.loc[made["melt"] == melt, "pour"]),
             "rows": [(column.removesuffix(" [g]"), number_text(grams)) for column, grams in row.items()],
             "total": number_text(row.sum())} for melt, row in sheet.iterrows()]


def _pours(round_: Round, recipe: Recipe) -> dict:
    """Column heads, and a row a pour in pour order: name, melt, then (target, unit) for all that is weighed or set."""
    sheet = round_.pour_sheet().sort_values("order")
    units = {setting.name: setting.unit.replace("degC", "°C") for setting in recipe.setting_list}
    weighed = [column for column in sheet if column.endswith(" [g]")]
    heads = [c.removesuffix(" [g]") for c in weighed] + [name.replace("_", " ") for name in units]
    rows = [{"pour": row["pour"], "melt": row["melt"],
             "cells": [(number_text(row[c]), "g") for c in weighed] +
                      [(number_text(row[name], 1), unit) for name, unit in units.items()]}
            for _, row in sheet.iterrows()]
    return {"heads": heads, "rows": rows}
