"""An invented truth, and how far bench and panel scatter about it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import pandas as pd

from labkit.checks import meant_or
from labkit.errors import RehearsalError
from labkit.wording import words_joined

Amount = float | Mapping[str, float]
AMOUNTS = ("sd_round", "sd_melt", "sd_pour", "sd_tester_pour", "sd_reading")
USUAL = MappingProxyType({"round": 0.03, "melt": 0.03, "pour": 0.03, "tester_pour": 0.08})     # parts of the scale


@dataclass(frozen=True, eq=False)
class World:
    """An invented truth, and how far bench and panel scatter about it.

    truth : coordinates frame -> frame with a column an attribute, the panel's long-run mean scores.
    sd_round, sd_melt, sd_pour, sd_tester_pour : standard deviations in units of the scale, one for all attributes
        or attribute -> value, 0 for one that is not named; None, 0.03 of the scale, and 0.08 for the last (0.3 and 0.8
        from 0 to 10).
    levels : who scores high or low, slopes : who uses more or less of the scale (above 0 on average); None, a value a
        tester in order, tester -> value (a Series by its names), or a frame of testers by attributes.
    step : scores are read to this step, and lie on the scale; 0, or not named among several, as they are; None, to half
        points (0.05 on a scale from 0 to 1).
    sd_reading : scatter of one reading where an instrument reads an attribute; None, as the trial states it.
    fails : coordinates frame -> chance that a pour there fails, a value a row; None, none fails.
    """

    truth: Callable[[pd.DataFrame], pd.DataFrame]
    sd_round: Amount | None = None
    sd_melt: Amount | None = None
    sd_pour: Amount | None = None
    sd_tester_pour: Amount | None = None
    levels: Sequence | Mapping | pd.Series | pd.DataFrame | None = None
    slopes: Sequence | Mapping | pd.Series | pd.DataFrame | None = None
    step: Amount | None = None
    sd_reading: Amount | None = None
    fails: Callable[[pd.DataFrame], Sequence[float]] | None = None

    def __post_init__(self):
        if not callable(self.truth):
            raise RehearsalError(f"truth is of type {type(self.truth).__name__}. "
                                 "Give a function of a coordinates frame.")
        if self.fails is not None and not callable(self.fails):
            raise RehearsalError(f"fails is of type {type(self.fails).__name__}. "
                                 "Give a function of a coordinates frame.")
        for name in AMOUNTS:
            amounts = getattr(self, name)
            for value in amounts.values() if isinstance(amounts, Mapping) else [0.0 if amounts is None else amounts]:
                if not isinstance(value, int | float | np.number) or not 0 <= value < np.inf:
                    raise RehearsalError(f"{name} is {value!r}. Give a standard deviation, 0 or more.")
        for name in ("levels", "slopes"):
            if isinstance(getattr(self, name), str):
                raise RehearsalError(f"{name} is {getattr(self, name)!r}. Give a value a tester, in order or by name, "
                                     "or a frame of testers by attributes.")
        steps = self.step.values() if isinstance(self.step, Mapping) else [0.5 if self.step is None else self.step]
        for value in steps:
            if not isinstance(value, int | float | np.number) or not 0 <= value < np.inf:
                raise RehearsalError(f"step is {value!r}. Give 0.5 for half points, 0 for scores that are not rounded.")

    def truth_at(self, coordinates: pd.DataFrame, attributes: Sequence[str]) -> pd.DataFrame:
        """The long-run mean scores at some coordinates, checked: a finite number for each attribute and row."""
        found = self.truth(coordinates.copy())
        missing = [name for name in attributes if name not in getattr(found, "columns", ())]
        if missing:
            raise RehearsalError(f"truth gives no column {missing[0]!r}. Give {words_joined(attributes)}.")
        self._check_amounts(list(found.columns))
        values = found[list(attributes)].to_numpy(dtype=float)
        if len(values) != len(coordinates) or not np.isfinite(values).all():
            raise RehearsalError(f"truth gives {len(values)} rows, or values that are not numbers, for "
                                 f"{len(coordinates)} formulas. Give a finite number for each.")
        return pd.DataFrame(values, columns=list(attributes), index=coordinates.index)

    def _check_amounts(self, attributes: Sequence[str]) -> None:
        """What is said by attribute is said of attributes that the truth has: of others it would be lost unseen."""
        for name in (*AMOUNTS, "step"):
            amounts = getattr(self, name)
            for other in set(amounts) - set(attributes) if isinstance(amounts, Mapping) else ():
                advice = meant_or(other, attributes, f"Name {words_joined(attributes, last='or')}.")
                raise RehearsalError(f"{name} names {other!r}, which the truth does not give. {advice}")

    def holds_at(self, coordinates: pd.DataFrame) -> np.ndarray:
        """The chance that a pour of each row holds, (rows,), checked: 1 - fails."""
        if self.fails is None:
            return np.ones(len(coordinates))
        chance = np.asarray(self.fails(coordinates.copy()), dtype=float)
        if chance.shape != (len(coordinates),) or not ((chance >= 0) & (chance <= 1)).all():
            raise RehearsalError(f"fails gives values of shape {chance.shape}, or some outside 0 to 1, for "
                                 f"{len(coordinates)} formulas. Give a chance for each.")
        return 1 - chance
