"""From a file's scale to the trial's: a stated straight line, and a question where the scale looks like another one."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from labkit.attributes import ENOUGH, USUAL, Attribute
from labkit.checks import NOT_JUDGED, parse_number
from labkit.errors import ScoreError
from labkit.handing import fixed
from labkit.wording import words_joined


@dataclass(frozen=True, kw_only=True)
class ScaleEnds:
    """The ends of the file's scale by attribute, where they are stated."""

    attributes: Mapping[str, Attribute]
    stated_ends: Mapping[str, tuple[float, float]]
    file: str

    @classmethod
    def stated(cls, scale: object, attributes: Mapping[str, Attribute], *, file: str) -> "ScaleEnds":
        if scale is None:
            ends = {}
        elif isinstance(scale, Mapping):
            ends = {name: _ends(value) for name, value in scale.items()}
        else:
            ends = dict.fromkeys((name for name, a in attributes.items() if not a.is_read), _ends(scale))
        for name in ends:
            if name not in attributes:
                raise ScoreError(f"scale names {name!r}, which is not in trial.toml. "
                                 f"Choose {words_joined(map(repr, attributes), last='or')}.")
        return cls(attributes=attributes, stated_ends=fixed(ends), file=file)

    def converted(self, attribute: str, cell: str) -> float:
        """The score on the trial's scale: low + (s - a) / (b - a) x (high - low), for a file's scale from a to b."""
        here = self.attributes[attribute]
        value = parse_number(cell, where=attribute, error=ScoreError, or_blank=NOT_JUDGED)
        a, b = self.stated_ends.get(attribute, (here.low, here.high))
        if not min(a, b) <= value <= max(a, b):
            advice = ("Correct it, or leave the cell empty if it was not judged." if attribute in self.stated_ends else
                      "Give scale=(low, high) if the file has another scale, or leave the cell empty.")
            raise ScoreError(f"{attribute} is {value:g}; scores run from {a:g} to {b:g}. {advice}")
        if (a, b) == (here.low, here.high):
            return value
        return here.low + (value - a) / (b - a) * here.width

    def check_likely(self, rows: Sequence[Mapping]) -> None:
        """A file whose scores all fit a usual scale half as wide as the trial's, or less, needs a word."""
        rows = [row for row in rows if row["attribute"] not in self.stated_ends]
        names = [name for name in self.attributes if any(row["attribute"] == name for row in rows)]
        if len(rows) < ENOUGH or not names:
            return
        low, high = max(self.attributes[n].low for n in names), min(self.attributes[n].high for n in names)
        values = [row["score"] for row in rows]
        fits = [(a, b) for a, b in USUAL if 2 * (b - a) <= high - low and all(a <= v <= b for v in values)]
        if fits and all(value == int(value) for value in values):
            a, b = fits[0]
            raise ScoreError(
                f"{self.file}: all {len(rows)} scores of {words_joined(names)} are whole numbers from {a:g} to {b:g}, "
                f"but the trial's scale runs from {low:g} to {high:g}. Give scale=({a:g}, {b:g}) if that is the scale "
                f"of the ballots, or scale=({low:g}, {high:g}) if the scores are meant as they stand.")

    def notes_on(self, said: Sequence[str]) -> tuple[str, ...]:
        """A sentence for each attribute that was said and converted."""
        found = {name: ends for name, ends in self.stated_ends.items()
                 if name in said and ends != (self.attributes[name].low, self.attributes[name].high)}
        return tuple(f"{name} was converted from {a:g}..{b:g} to {self.attributes[name].low:g}.."
                     f"{self.attributes[name].high:g}." for name, (a, b) in found.items())


def _ends(value: object) -> tuple[float, float]:
    try:
        a, b = (float(end) for end in value)
    except (TypeError, ValueError):
        a = b = float("nan")
    if not abs(a - b) > 0:
        raise ScoreError(f"scale is {value!r}. Give the two ends of the file's scale, such as (1, 5).")
    return a, b
