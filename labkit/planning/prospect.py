"""`Prospect`: what a round can tell, in words and tables."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from labkit.attributes import Attribute, digits_of, only_read
from labkit.handing import hands_out_copies
from labkit.rounds import Round
from labkit.wording import Report, about, grid_of, heading, line, number_text, report, words_joined

SIZE, POWER = 0.05, 0.80  # two-sided error of the first kind and power of every "would be seen"


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class Prospect:
    """What a round can tell.

    models : a row a model: its terms, how many of them the pours alone can estimate before and after, which.
    terms : a row a term of the quadratic model: the part of what was unknown about it that the round removes (0..1).
    differences : a row an attribute and comparison: the smallest difference [scale units] seen with 80 % power.
    guess : the part of the region that stays a guess, before and after, and where it is worst.
    changes : a row a change of the round: standard error over the region [part of the scale] and by how much it moves.
    scales : attribute -> what trial.toml says of it.
    """

    round: Round
    testers: float
    models: pd.DataFrame
    terms: pd.DataFrame
    differences: pd.DataFrame
    guess: pd.DataFrame
    worst: str
    changes: pd.DataFrame
    sources: str
    scales: Mapping[str, Attribute] = field(default_factory=dict)

    def to_frame(self) -> pd.DataFrame:
        """The smallest differences that would be seen."""
        return self.differences

    def _report(self) -> Report:
        return report(
            heading(f"What round {self.round.number} can tell, {self._judged()}"),
            *_model_blocks(self.models, self.terms),
            heading("Which differences would be seen?"),
            *_difference_blocks(self.differences, self.sources, self.scales),
            heading("Where will it still be a guess?"),
            *_guess_blocks(self.guess, self.worst),
            heading("What would one more or one fewer change?"),
            grid_of(self.changes, digits={"standard error": 3, "moves by": 3}),
            line("Standard error of a surface over the region (root mean square), as a part of the scale."),
        )

    def __str__(self) -> str:
        return self._report().as_text()

    def __repr__(self) -> str:
        return f"<Prospect of round {self.round.number}: {self._judged().removeprefix('scored by ')}>"

    def _judged(self) -> str:
        if only_read(self.scales):
            return "every pour read once"
        return f"scored by {about(self.testers, 'tester')}"

    def _repr_html_(self) -> str:
        return self._report().as_html()


def _model_blocks(models: pd.DataFrame, terms: pd.DataFrame) -> list:
    blocks = []
    for row, fresh in zip(models.itertuples(), models["newly estimable"], strict=True):
        news = f": {fresh}" if fresh else ""
        blocks.append(
            line(
                f"{row.model.capitalize()} model: the pours alone can estimate {row.before} of its {row.terms} terms "
                f"before and {row.after} after{news}."
            )
        )
    told = terms.sort_values("told", ascending=False, kind="stable")
    most = [f"{t.term} {100 * t.told:.0f} %" for t in told.itertuples() if t.told >= 0.1][:6]
    least = [t.term for t in told.itertuples() if t.told < 0.1]
    if most:
        blocks.append(line(f"Of what is unknown (as variance) the round removes most about {words_joined(most)}."))
    if least:
        blocks.append(line(f"It says next to nothing about {words_joined(least)}."))
    return blocks


def _difference_blocks(differences: pd.DataFrame, sources: str, scales: Mapping[str, Attribute]) -> list:
    table = differences.pivot(index="between", columns="attribute", values="seen from")
    table = table.loc[differences["between"].unique(), differences["attribute"].unique()]
    places = dict(zip(table.columns, digits_of(table.columns, scales, 1), strict=True))
    shown = table.apply(lambda column: [_seen_text(v, places[column.name], scales.get(column.name)) for v in column])
    units = {name: f"{name} [{scale.shown_unit}]" for name, scale in scales.items() if scale.is_read}
    return [
        grid_of(shown.rename(columns=units), index="a difference of at least, between"),
        line(f"Seen with {POWER:.0%} power at the two-sided {SIZE:.0%} level, each for itself: to tell all pairs of "
             f"pours apart together takes more. {sources}".replace("%", " %")),
    ]


def _seen_text(seen_from: float, places: int, scale: Attribute | None) -> str:
    """A difference; or that none on the scale is large enough, or that the pours do not tell at all."""
    if not np.isfinite(seen_from):
        return "cannot be told"
    return "more than the scale" if scale and seen_from > scale.width else number_text(seen_from, places)


def _guess_blocks(guess: pd.DataFrame, worst: str) -> list:
    before, after = guess["a guess"]
    return [
        line(
            f"{100 * before:.0f} % of the region is a guess before and {100 * after:.0f} % after: more than half of "
            f"the standard error that there was before any pour is left. It is worst at {worst}."
        )
    ]
