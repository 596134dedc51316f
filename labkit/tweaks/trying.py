"""What several ways to spend one evening are worth, in the same drawn worlds with the same luck at bench and table."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import pandas as pd
from scipy.special import ndtr

from labkit.core import improvement
from labkit.tweaks.outlook import Outlook
from labkit.tweaks.worth import Jury, with_failures

ANEW = 0.5             # of the variance of tester x pour that is new when a tester tastes the same pour again; the rest
#                        comes back. Our own figure: repeats of untrained testers agree about half as well as they might


@dataclass(frozen=True, kw_only=True, eq=False)
class Evening:
    """Pours (rows of coordinates), the melt of each and its place; testers beyond the usual; how often each tastes.

    Melts and places are names: where two evenings share one, they share its luck.
    """

    points: pd.DataFrame
    melts: tuple[str, ...]
    places: tuple[str, ...]
    testers: int = 0
    tastings: int = 1


@dataclass(frozen=True, kw_only=True, eq=False)
class Luck:
    """Standard normal numbers of n worlds by attribute and name: the same name is the same luck, whoever asks."""

    n: int
    seed: int

    def of(self, attribute: int, kind: int, names: Sequence[str]) -> np.ndarray:
        """(n, names)."""
        return np.column_stack([np.random.default_rng([self.seed, 47, attribute, kind, *name.encode()]).standard_normal(
            self.n) for name in names])


def seen_in(evening: Evening, drawn: np.ndarray, sd: dict, usual: float, luck: Luck, attribute: int) -> np.ndarray:
    """What an evening would score: drawn (n, pours) with the noise of one attribute, (n, pours).

    The mean of a pour over `usual` testers (0: an instrument reads it) has the standard error sd["panel"]. One tester
    more brings a leaning that only these pours tell, so that it helps to compare them and not to set their level: what
    k pours do not share has the variance s^2 T / (T + 1), and their common mean keeps s^2 / k.
    """
    k, more = drawn.shape[1], usual / (usual + evening.testers) if usual else 1.0
    tasted = sd["panel"] ** 2 * (1 - ANEW + ANEW / evening.tastings if usual else 1.0)
    alone, level = np.sqrt(tasted * more), np.sqrt(tasted * (1 - more) / k)
    seen = drawn + sd["round"] * luck.of(attribute, 0, ["round"]) + level * luck.of(attribute, 1, ["newcomer"])
    seen = seen + sd["melt"] * luck.of(attribute, 2, evening.melts)
    return seen + sd["pour"] * luck.of(attribute, 3, evening.places) + alone * luck.of(attribute, 4, evening.places)


def paid_by_evenings(outlook: Outlook, jury: Jury, usual: float, evenings: Sequence[Evening], targets: pd.DataFrame,
                     judges: Mapping[str, float] = MappingProxyType({}), **sizes) -> np.ndarray:
    """What each evening pays in each world, (evenings, worlds): settling anew among all their pours and `targets`.

    judges : attribute -> testers who score a pour for it, where that is not by the `usual` number.
    """
    points = pd.concat([*(e.points for e in evenings), targets], ignore_index=True)
    ends = np.cumsum([len(e.points) for e in evenings])
    unique = ~points.duplicated()
    known = outlook.known(points)
    kept, worth = outlook.in_half_widths([drawn[:, unique.to_numpy()] for drawn in known])
    luck = Luck(n=outlook.n, seed=outlook.seed)
    count = {name: 0 if outlook.attributes[name].is_read else judges.get(name, usual) for name in outlook.surfaces}
    rows = []
    for evening, end in zip(evenings, ends, strict=True):
        there = [drawn[:, end - len(evening.points):end] for drawn in known]
        seen = [seen_in(evening, drawn, jury.noise[name], count[name], luck, k)
                for k, (name, drawn) in enumerate(zip(outlook.surfaces, there))]
        if outlook.failing is not None:
            seen = with_failures(seen, ndtr(luck.of(len(seen), 5, evening.places)) < there[-1])
        rows.append(improvement.paid_by_world(kept, seen, worth, precision=np.float32, **sizes))
    return np.array(rows)
