"""What is weighed in so few steps of the balance that it can hardly be weighed, and what would do."""

import math
from dataclasses import dataclass
from fractions import Fraction

import pandas as pd

from labkit.rounds import ALLOWANCE, Batch, Round, grams_column, to_steps
from labkit.wording import words_joined

LEAST_STEPS = 20  # a portion below this many balance steps is advised against
POCKET_STEP = 0.01  # g, of a pocket balance; what reads no finer is the first thing to change
LITTLE = 0.05  # of a pour: what is more is no longer weighed in a premix
MOST_LARGER = 3  # times the pour: beyond it, pouring more is no advice


def small_portions(round_: Round, batch: Batch) -> tuple[str, ...]:
    """One note on all that is weighed below 20 balance steps: each ingredient's smallest weight, and what would do.

    Weights are those of the sheets: of the pot once a melt, with what stays in the beaker.
    """
    columns = [grams_column(i) for i in round_.recipe.ingredients]
    sheets = {kind: round_.frame.groupby(kind, sort=False)[columns].sum() for kind in ("melt", "pour")}
    small = [portion for i in round_.recipe.ingredients
             if (portion := _smallest(sheets["melt" if i in round_.recipe.pot else "pour"], i, batch)) is not None]
    weights = [batch.told(to_steps(float(s.grams), batch)) for s in small]
    told = words_joined([f"{grams} g of {s.ingredient} in {s.where}" for grams, s in zip(weights, small, strict=True)])
    fact = f"{told} {'is' if len(small) == 1 else 'are'} under {LEAST_STEPS} steps of the balance."
    return (f"{fact} {_what_would_do(small, batch)}",) if small else ()


@dataclass(frozen=True, kw_only=True)
class _Portion:
    """The smallest weight of an ingredient [g], its share of the pour or melt it goes into, and of what would do."""

    ingredient: str
    where: str
    grams: Fraction
    share: float
    enough: Fraction


def _smallest(sheet: pd.DataFrame, ingredient: str, batch: Batch) -> _Portion | None:
    """The smallest weight of an ingredient in a melt or a pour, where it is below 20 balance steps."""
    weighed = sheet[grams_column(ingredient)].loc[lambda grams: grams > 1e-9]
    if not len(weighed):
        return None
    where, share = weighed.idxmin(), weighed.min() / sheet.loc[weighed.idxmin()].sum()
    grams = Fraction(str(round(weighed.min(), 6))) * (1 + Fraction(str(ALLOWANCE)) if sheet.index.name == "melt" else 1)
    enough, least = grams / (LEAST_STEPS * batch.exact_step), float(LEAST_STEPS * batch.exact_step)
    under = to_steps(float(grams), batch) < least - 1e-9                   # as the sheet asks for it
    return _Portion(ingredient=ingredient, where=where, grams=grams, share=share, enough=enough) if under else None


def _what_would_do(small: list[_Portion], batch: Batch) -> str:
    """A finer balance where ours is coarse; else one size of pour that does for all, or premixes of what is little."""
    if batch.balance_step_g > POCKET_STEP:
        it = "it" if len(small) == 1 else "them"
        return f"Weigh {it} on a balance that reads {POCKET_STEP:g} g, and give balance_step_g in trial.toml so."
    pour = f"Pour {math.ceil(batch.exact_pour / min(s.enough for s in small))} g"
    if any(s.share > LITTLE for s in small):
        return f"{pour}."
    premixes = words_joined([f"{s.ingredient} in a premix of {_strength(s.enough)} %" for s in small])
    return f"{pour}, or weigh {premixes}." if min(s.enough for s in small) >= 1 / MOST_LARGER else f"Weigh {premixes}."


def _strength(enough: Fraction) -> int:
    """The strongest premix that is still weighable [%], in whole steps of 5, or of 1 where it is weaker than that."""
    return 5 * math.floor(20 * enough) or max(math.floor(100 * enough), 1)
