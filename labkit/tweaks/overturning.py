"""Which result of the confirmation pours would make another formula, known already, the better choice."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from labkit.core.updating import turning_points
from labkit.tweaks.foretold import Foretold
from labkit.tweaks.outlook import wanted_part

RESULTS = 61
AT_END = 0.005         # of the width of a scale: a turning point so near its end is beyond what a result can come to


def overturns_of(attributes, told: Mapping[str, Foretold], names: Sequence[str], pours: int,
                 holds: np.ndarray | float = 1.0) -> pd.DataFrame:
    """A row an attribute: the mean result expected, and below and above which result which other formula is better.

    told : attribute -> draws at the formula to be poured and at others, called `names`; holds : the chance that each
    of them, the first included, holds. The draws are brought up to date by a result of one attribute while the other
    attributes come out as expected; the choice falls on the highest expected desirability. nan and an empty name where
    nothing on the scale, or only its very end, overturns it; at once: another is better already where all comes out as
    expected.
    """
    share = {name: attributes[name].importance / sum(attributes[n].importance for n in told) for name in told}
    parts = {name: _parts(attributes[name], told[name], share[name], pours) for name in told}
    rows = []
    whole = np.prod([as_expected for *_, as_expected in parts.values()], axis=0) * holds
    for name, (results, by_result, expected, _) in parts.items():
        others = np.prod([as_expected for n, (*_, as_expected) in parts.items() if n != name], axis=0)
        worth = by_result * others * holds
        row = {"attribute": name, "expected": expected}
        turns = turning_points(results, worth[:, 1:] - worth[:, [0]], expected)
        end = AT_END * attributes[name].width
        for side, (value, who) in zip(("below", "above"), turns, strict=True):
            there = who >= 0 and attributes[name].low + end < value < attributes[name].high - end
            row |= {side: value if there else np.nan, f"better {side}": str(names[who]) if there else ""}
        rows.append(row | {"at once": bool(whole.argmax())})
    return pd.DataFrame(rows)


def _parts(attribute, told: Foretold, share: float, pours: int):
    """E d^share of each formula at each result on the scale (r, m), the result expected, and E d^share there (m,).

    What is known of the attributes is independent, so that E D is the product of these over the attributes.
    """
    expected = told.expected(pours)
    results = np.union1d(np.linspace(attribute.low, attribute.high, RESULTS), expected)

    def part(result: float) -> np.ndarray:
        drawn, weights = told.after(result, pours)
        return weights @ wanted_part(attribute.wanted, drawn) ** share

    return results, np.array([part(result) for result in results]), expected, part(expected)
