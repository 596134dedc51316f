"""Tables behind the questions: which pairs differ, does the place in the sitting matter, how many testers it takes."""

from functools import lru_cache

import numpy as np
import pandas as pd

from labkit.attributes import Attribute
from labkit.panel.contrasts import added_effect, all_pairs, letters
from labkit.panel.scored import Scored
from labkit.panel.seen import least_seen, power_played, testers_needed
from labkit.wording import as_counted

SIZE = 0.05            # family-wise: the chance that any pair is called different when none is
SITTING = 4            # pours of one sitting: compared with each other where a panel has scored but one so far
ASKED = 0.1            # part of the scale, for the number of testers that a difference takes
EFFECTS = ("position", "session", "tester x session")
SITTING_COLUMNS = ("attribute", "effect", "df", "df2", "f", "p", "says")


def pairs_of(scored: Scored) -> pd.DataFrame:
    """A row a pair of pours: difference of the adjusted means, se, family-wise 95 % limits and p, differ."""
    found = _pairs(scored)
    names = np.array(scored.pours)
    reach = found.multiple * found.se
    return pd.DataFrame({
        "attribute": scored.attribute.name, "pour": names[found.first], "other": names[found.second],
        "difference": found.difference, "se": found.se, "low": found.difference - reach,
        "high": found.difference + reach, "p": found.p, "differ": found.p < SIZE,
    })


def letters_of(scored: Scored) -> list[str]:
    """A letter or more a pour; pours that share one are not told apart."""
    found, n = _pairs(scored), len(scored.pours)
    differs = np.zeros((n, n), dtype=bool)
    differs[found.first, found.second] = differs[found.second, found.first] = found.p < SIZE
    return letters(scored.adjusted.means, differs)


@lru_cache(maxsize=16)
def _pairs(scored: Scored):
    return all_pairs(scored.adjusted.means, scored.adjusted.covariance, df=max(scored.df, 1.0), level=1 - SIZE)


def sitting_rows(scored: Scored) -> list[dict]:
    """F tests of position, session, and testers changing from session to session, beside pours and testers."""
    return [row for effect in EFFECTS if (row := sitting_row(scored, effect)) is not None]


def sitting_row(scored: Scored, effect: str) -> dict | None:
    """One of those tests; None where positions or sessions were not written down or do not differ."""
    source = effect.split(" x ")[-1]
    used = scored.scores[scored.scores[source] != ""]
    if used[source].nunique() < 2:
        return None
    extra = _dummies(used["tester"] + " in " + used["session"] if source != effect else used[effect])
    base = pd.concat([_dummies(used[c]) for c in ("pour", "tester", "session") if c != effect], axis=1)
    found = added_effect(used["score"].to_numpy(float), base.to_numpy(), extra.to_numpy())
    return {"attribute": scored.attribute.name, "effect": effect, "df": found.df, "df2": found.df2, "f": found.f,
            "p": found.p, "says": _effect_words(effect, found, list(extra.columns), scored.attribute)}


def _dummies(names: pd.Series) -> pd.DataFrame:
    """A column a name, in the order of numbers where the names are numbers."""
    order = as_counted(names)
    return pd.DataFrame({name: (names == name).astype(float) for name in order}, index=names.index)


def _effect_words(effect: str, found, names: list[str], scale: Attribute) -> str:
    if found.df < 1:
        return "cannot be told from pours and testers"
    if not np.isfinite(found.p):
        return "too few scores to say"
    if found.p >= SIZE:
        return "no sign of it"
    if effect != "position":
        return "scores change with it"
    if found.df < len(names) - 1:
        return "scores change with it, by how much at each cannot be told from pours and testers"
    shown = found.estimates - found.estimates.mean()
    return ", ".join(f"{scale.told(value, sign='+')} at {name}" for name, value in zip(names, shown, strict=True))


def power_row(scored: Scored) -> dict:
    """The difference between two pours that the letters show four times in five, and the testers that a
    tenth of the scale takes, each of whom scores every pour; at the noise of a score as found.

    All pairs of the `pours` are compared together, as in `letters_of`; `sees` is that of the middle one of all pairs
    where some scores are missing. `played` is how often simulated panels of that noise do see it.
    """
    testers, pours, noise = len(scored.testers), len(scored.pours), scored.noise.score
    asked, family = ASKED * scored.attribute.width, pours if pours > 1 else SITTING
    worth = max(scored.df - scored.cells.df, 0.0)
    sees, played = _seen(scored, worth) if testers > 1 < pours and noise > 0 else (np.nan, np.nan)
    needed = testers_needed(asked, noise=noise, pours=family, worth=worth, size=SIZE) if noise > 0 else 2
    return {
        "attribute": scored.attribute.name, "testers": testers, "pours": family, "noise": noise, "sees": sees,
        "played": played, "asked": asked,
        "testers_for_asked": needed,
    }


def _seen(scored: Scored, worth: float) -> tuple[float, float]:
    found = _pairs(scored)
    middle = int(np.argsort(found.se, kind="stable")[(len(found.se) - 1) // 2])
    sees = least_seen(se=found.se[middle], df=max(scored.df, 1.0), multiple=found.multiple)
    pair = int(found.first[middle]), int(found.second[middle])
    return sees, power_played(sees, pair=pair, count=scored.cells.count, noise=scored.noise, worth=worth,
                              multiple=found.multiple)
