"""How the pours of a round are spread over its melts, and which of them repeat a formula."""

from dataclasses import dataclass

import numpy as np

from labkit.errors import PlanError
from labkit.wording import plural


@dataclass(frozen=True, kw_only=True, eq=False)
class Layout:
    """For each formula to be chosen (n,) its melt, and how many pours of that it is; how many melts a melt is (k,)."""

    melts: np.ndarray
    weights: np.ndarray
    copies: np.ndarray

    def spread(self) -> tuple[np.ndarray, np.ndarray]:
        """For every pour of the round: the place of its formula, and the label of its melt."""
        places, labels = [], []
        for melt, copies in enumerate(self.copies):
            inside = np.flatnonzero(self.melts == melt)
            for _ in range(copies):
                label = max(labels, default=-1) + 1
                pours = np.repeat(inside, self.weights[inside])
                places, labels = places + pours.tolist(), labels + [label] * len(pours)
        return np.array(places), np.array(labels)


def layout_of(pours: int, melts: int, *, repeats: int = 0, control: bool = False) -> Layout:
    """Melts as equal as can be. Repeats are poured from the melt of their formula where it has room, the largest first;
    then melts with a single formula are made again. A control is the first formula of the first melt, not repeated.
    """
    counts = [[1] * size for size in _evenly(pours, melts)]
    copies = [1] * melts
    for done in range(repeats):
        if not (_repeat_inside(counts, control) or _repeat_melt(counts, copies, control)):
            raise PlanError(
                f"{plural(pours, 'pour')} in {plural(melts, 'melt')} can repeat {plural(done, 'formula')} at most, "
                f"not {repeats}. Lower repeats, or plan other numbers of pours and melts."
            )
    return Layout(
        melts=np.repeat(np.arange(len(counts)), [len(c) for c in counts]),
        weights=np.concatenate(counts).astype(int),
        copies=np.array(copies),
    )


def _evenly(total: int, places: int) -> list[int]:
    """A total spread over places as evenly as whole numbers allow."""
    return [total // places + (k < total % places) for k in range(places)]


def _repeat_inside(counts: list[list[int]], control: bool) -> bool:
    """One formula fewer in the melt with the most, the others poured the more often; whether there was room."""
    firsts = [1 if control and melt == 0 else 0 for melt in range(len(counts))]  # a control is not repeated
    melt = max(range(len(counts)), key=lambda k: (len(counts[k]) - firsts[k], -k))
    if len(counts[melt]) - firsts[melt] < 2:
        return False
    free = counts[melt][firsts[melt] :]
    counts[melt][firsts[melt] :] = _evenly(sum(free), len(free) - 1)
    return True


def _repeat_melt(counts: list[list[int]], copies: list[int], control: bool) -> bool:
    """Make one of two melts that look alike a repeat of the other; whether there were two."""
    for melt in range(len(counts) - 1, 0, -1):
        for other in range(1 if control else 0, melt):
            if counts[other] == counts[melt] and len(counts[melt]) == 1 and copies[melt] == 1:
                counts.pop(melt)
                copies.pop(melt)
                copies[other] += 1
                return True
    return False
