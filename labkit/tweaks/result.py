"""The next tweak as it is handed over: a round, the formula settled on today, whether to stop, and why."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from labkit.attributes import Attribute, digits_of
from labkit.handing import fixed, hands_out_copies
from labkit.rounds import Round
from labkit.wording import Block, Report, digits_of_range, grid_of, heading, line, plural, report

DIGITS = 3
NUMBERS = ("Expected desirability of each pour, its 90 % interval, its standard deviation before and after the round, "
           "the chance that it beats the formula below, the nearest pour and how far off that is (part of the range):")


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class Tweak:
    """What to pour next, and what one would settle on today.

    round : ready to pour. best : one row, coordinates and grams. stop : whether the round brings less than it must
    with what one has, and than half of it where all that could still be learned is worth three (`tweaks.price`).
    expected_gain : what the round is expected to add to the desirability of the formula settled on; gain_if_known :
    what knowing every surface would add (both nan before there are scores). advice : plain words. predictions : a row
    an attribute, once a pour has failed one for the chance that `best` holds, and one for desirability: mean, low,
    high (90 %) at `best`. reasons : a row a pour of the round. scales : attribute -> what trial.toml says of it.
    """

    round: Round
    best: pd.DataFrame
    stop: bool
    expected_gain: float
    gain_if_known: float
    advice: str
    predictions: pd.DataFrame
    reasons: pd.DataFrame
    scales: Mapping[str, Attribute] = field(default_factory=dict)

    def __post_init__(self):
        object.__setattr__(self, "scales", fixed(self.scales))

    def to_frame(self) -> pd.DataFrame:
        """The round, with the reason for each pour: a row a pour."""
        return self.round.to_frame().merge(self.reasons.drop(columns="melt", errors="ignore"), on="pour", how="left")

    def _report(self) -> Report:
        blocks = [heading("What to do next"), *(line(part) for part in self.advice.split("\n"))]
        blocks += self.round._report().blocks
        blocks += _why_blocks(self.reasons)
        blocks.append(heading("What it would settle on today"))
        blocks.append(grid_of(_upright(self.best.rename(columns=self.round.heads)), digits={"value": self._places()}))
        if len(self.predictions):
            blocks.append(predicted(self, title="Predicted there, with 90 % intervals for the mean"))
        return report(*blocks)

    def _places(self) -> list[int]:
        """Decimals of each value of `best`: grams as the balance shows them, settings as a hand sets them, shares to a
        hundredth of their range."""
        ends = self.round.recipe.bounds.itertuples()
        shares = {name: max(DIGITS, digits_of_range(low, high)) for name, low, high in ends if low < high}
        return [(shares | self.round.digits).get(name, DIGITS) for name in self.best.columns]

    def __str__(self) -> str:
        return self._report().as_text()

    def __repr__(self) -> str:
        what = "stop" if self.stop else f"pour {plural(len(self.round.frame), 'pour')}"
        return f"<Tweak: {what}, expected gain {self.expected_gain:.3f}>"

    def _repr_html_(self) -> str:
        return self._report().as_html()


def _why_blocks(reasons: pd.DataFrame) -> list:
    """A sentence a pour, then the numbers that it follows from."""
    numbers = reasons.drop(columns=["melt", "why"]).rename(columns={"chance of beating the best": "beats best"})
    blocks = [heading("Why these pours"), *(line(f"{row.pour}: {row.why}.") for row in reasons.itertuples())]
    told = f"{NUMBERS[:-1]}; and the chance that it fails:" if "chance of failing" in numbers else NUMBERS
    return [*blocks, line(told), grid_of(numbers)] if len(numbers.columns) > 1 else blocks


def predicted(tweak: Tweak, *, title: str) -> Block:
    """What is expected of each attribute where it settles, in its unit and in the decimals of its scale."""
    table, scales = tweak.predictions, tweak.scales
    units = {name: scale.shown_unit for name, scale in scales.items()}
    digits = dict.fromkeys(("mean", "low", "high"), digits_of(table["attribute"], scales))
    return grid_of(with_units(table, units), digits=digits, title=title)


def with_units(table: pd.DataFrame, units: Mapping[str, str] | pd.Series) -> pd.DataFrame:
    """`softness [mm]` where an instrument reads the attribute."""
    return table.assign(attribute=[f"{name} [{units[name]}]" if units.get(name) else name
                                   for name in table["attribute"]])


def _upright(best: pd.DataFrame) -> pd.DataFrame:
    """One row as two columns: the name and the value of each coordinate and ingredient."""
    row = best.iloc[0]
    return pd.DataFrame({"what": list(map(str, row.index)), "value": row.to_numpy(dtype=float)})
