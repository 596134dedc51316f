"""Two attributes that may have swapped their names: each goes the way that is expected of the other."""

import itertools
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from labkit.attributes import Attribute
from labkit.wording import words_joined

FEWEST = 5      # pours, or melts where a coordinate is that of a melt, from which a direction can be told
CLEAR = 2.5     # standard deviations, all expected directions together: for the names as they are, and as swapped


def doubts_on_names(
    attributes: Mapping[str, Attribute], judged: pd.DataFrame, made: pd.DataFrame, *, per_melt: Sequence[str]
) -> list[str]:
    """Fact and advice about pairs of attributes. judged : pour, tester, attribute, score.

    z = atanh(r) sqrt(n - 3), r the correlation of the pours' means with a coordinate (Fisher 1921, Metron 1:3-32), of
    melts where it is theirs. Told where the z of all that is expected of the two, each in its direction, add to -CLEAR
    or less times the root of their number, and to CLEAR or more once the names are swapped, and neither of the two
    stands against that.
    """
    means = {name: _means(judged[judged["attribute"] == name]) for name, a in attributes.items()
             if a.expect and not a.is_read}
    coordinates = {c for name in means for c in attributes[name].expect}
    towards = {name: {c: _towards(mean, made, c, by_melt=c in per_melt) for c in coordinates}
               for name, mean in means.items() if len(mean) >= FEWEST}
    found = []
    for one, other in itertools.combinations(towards, 2):
        expected = attributes[one].expect, attributes[other].expect
        own, swapped = ([_agree(towards[name], way) for name, way in zip(names, expected)]
                        for names in ((one, other), (other, one)))
        if _is_clear([[-z for z in each] for each in own]) and _is_clear(swapped):
            found.append(_words(one, other, attributes, towards))
    return found


def _means(scores: pd.DataFrame) -> pd.Series:
    """By pour, what testers said of it less what each says on average."""
    return (scores["score"] - scores.groupby("tester")["score"].transform("mean")).groupby(scores["pour"]).mean()


def _towards(mean: pd.Series, made: pd.DataFrame, coordinate: str, *, by_melt: bool) -> float:
    """How clearly the means rise with a coordinate, in standard deviations; nan where too little is known."""
    table = pd.DataFrame({"mean": mean, "at": made[coordinate], "melt": made["melt"]}).dropna()
    if by_melt:
        table = table.groupby("melt")[["mean", "at"]].mean()
    if len(table) < FEWEST or not (np.ptp(table[["mean", "at"]].to_numpy(), axis=0) > 0).all():
        return np.nan
    r = np.clip(np.corrcoef(table["mean"], table["at"])[0, 1], -0.999, 0.999)
    return float(np.arctanh(r) * np.sqrt(len(table) - 3))


def _agree(towards: Mapping[str, float], expect: Mapping[str, int]) -> list[float]:
    return [way * towards[name] for name, way in expect.items() if not np.isnan(towards[name])]


def _is_clear(of_both: Sequence[Sequence[float]]) -> bool:
    """Whether all that is known of the two, each in its direction, is clear, and both have a part in it."""
    every = [z for each in of_both for z in each]
    return all(sum(each) > 0 for each in of_both) and sum(every) >= CLEAR * len(every) ** 0.5


def _words(one: str, other: str, attributes: Mapping[str, Attribute],
           towards: Mapping[str, Mapping[str, float]]) -> str:
    """Told of the clearest direction of each that is not expected of it."""
    told = []
    for name in (one, other):
        against = {c: way * towards[name][c] for c, way in attributes[name].expect.items()}
        worst = min((c for c in against if not np.isnan(against[c])), key=against.get)
        told.append(f"{name} {'falls' if attributes[name].expect[worst] > 0 else 'rises'} with {worst}")
    return (f"scores.csv: {words_joined(told)}, and expected is the contrary; each does what is expected of the other. "
            "If their names were swapped, swap them back in trial.toml or in scores.csv, else mend `expect`.")
