"""A round of two melts and four pours as planned, as a maker records it, and rows of scores (invented numbers)."""

import pandas as pd
from definitions import TERRACOTTA

from labkit import Trial
from labkit.rounds import round_from_factors

MELTS = pd.DataFrame(
    {
        "melt": ["M01", "M02"],
        "date": "2026-01-10",
        "candelilla wax [g]": ["4,70", "7.80"],
        "mango butter [g]": [12.9, 12.8],
        "jojoba oil [g]": [21.5, 18.3],
        "vitamin E [g]": [0.43, 0.42],
    },
    index=[2, 3],
)
POURS = pd.DataFrame(
    {
        "pour": ["P01", "P02", "P03", "P04"],
        "melt": ["M01", "M01", "M02", "M02"],
        "base [g]": [18.8, 17.6, 18.8, "17,61"],
        "red paste [g]": [0.36, 1.44, 0.72, 0.72],
        "yellow paste [g]": [0.84, 0.96, 0.48, 1.68],
        "pour_temperature": 70,
        "outcome": ["ok", "ok", "ok", "failed: broke"],
    },
    index=[2, 3, 4, 5],
)


def two_melts(trial, load=(0.03, 0.06, 0.03, 0.06)):
    at = pd.DataFrame(
        {"wax": [0.12, 0.12, 0.2, 0.2], "red_share": [0.3, 0.6, 0.6, 0.3], "load": load, "pour_temperature": 70.0}
    )
    return round_from_factors(
        trial.recipe,
        trial.batch,
        number=1,
        melts=["M01", "M01", "M02", "M02"],
        pours=["P01", "P02", "P03", "P04"],
        coordinates=at,
    )


def planned_trial():
    """The terracotta stick with that round planned."""
    trial = Trial.from_toml(TERRACOTTA)
    return trial.with_round(two_melts(trial))


def score_rows(*rows):
    return pd.DataFrame(rows, columns=["pour", "tester", "attribute", "score"], index=range(2, 2 + len(rows)))


def changed(frame, row, column, value):
    frame = frame.astype(object)
    frame.loc[row, column] = value
    return frame
