"""What the confirmation pours should come to, as planned, and where fewer testers, readings or pours tell of them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from labkit.handing import fixed
from labkit.tweaks.foretold import Foretold
from labkit.tweaks.overturning import overturns_of
from labkit.wording import about, plural, words_joined


@dataclass(frozen=True, kw_only=True, eq=False)
class Forecast:
    """What is expected of some pours of one formula, and which result would make another of `names` the better choice.

    told : attribute -> draws at the formula and at the known ones, called `names`; holds : the chance that each holds.
    pours : how many are planned. usual : attribute -> testers that score a pour, or readings taken of it, so far.
    """

    attributes: Mapping
    told: Mapping[str, Foretold]
    names: Sequence[str]
    holds: np.ndarray
    pours: int
    usual: Mapping[str, float]

    def __repr__(self) -> str:
        return f"<Forecast of {plural(self.pours, 'pour')}: {words_joined(self.told)}>"

    def __post_init__(self):
        for name in ("attributes", "told", "usual"):
            object.__setattr__(self, name, fixed(getattr(self, name)))

    def judged_by(self) -> str:
        """` (6 testers)`: by how many testers what is scored is taken to be tasted."""
        counts = {self.usual[name] for name in self.told if not self.attributes[name].is_read and name in self.usual}
        if not counts:
            return ""
        least, most = about(min(counts), "tester"), about(max(counts), "tester")
        return f" ({most})" if least == most else f" ({least.split()[0]} to {most.split(' to ')[-1]})"

    def expected(self) -> pd.DataFrame:
        """A row an attribute: mean of the pours as expected, where it should fall nine times in ten, and the unit."""
        rows = [(name, t.expected(self.pours), *t.interval(self.pours), self.attributes[name].shown_unit)
                for name, t in self.told.items()]
        return pd.DataFrame(rows, columns=["attribute", "mean", "low", "high", "unit"])

    def overturns(self) -> pd.DataFrame:
        """`overturns_of` for these pours."""
        return overturns_of(self.attributes, self.told, self.names, self.pours, self.holds)

    def of_fewer(self, pours: Mapping[str, int], each: Mapping[str, float]) -> "Forecast":
        """The same where fewer tell: by attribute how many pours were judged, and by how many testers or readings each.

        The variance of a pour's mean that comes from who judges it grows as usual / each, that of the pours' mean as
        planned / judged. More than planned leave all as it was planned; then this very forecast is given back.
        """
        times = {name: (max(self.usual[name] / each[name], 1.0), max(self.pours / pours[name], 1.0)) for name in pours
                 if name in self.told}
        if all(both == (1.0, 1.0) for both in times.values()):
            return self
        told = {name: t.thinner(judges=times[name][0], pours=times[name][1]) if name in times else t
                for name, t in self.told.items()}
        return replace(self, told=told)


def judges_of(trial) -> pd.DataFrame:
    """attribute, pour, judges: how many testers scored a pour for an attribute, or readings were taken of it."""
    scores, readings = trial.standing_scores, trial.standing_readings
    parts = [scores.groupby(["attribute", "pour"])["tester"].nunique() if len(scores) else None,
             readings.groupby(["attribute", "pour"]).size() if len(readings) else None]
    parts = [part.rename("judges").reset_index() for part in parts if part is not None]
    columns = ["attribute", "pour", "judges"]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def usual_judges(trial) -> dict[str, float]:
    """By attribute the median over the pours judged so far."""
    return judges_of(trial).groupby("attribute")["judges"].median().astype(float).to_dict()
