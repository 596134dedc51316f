"""Orders of serving: which item comes when in which sitting, as evenly as whole numbers allow.

Five families of cells are counted over all sittings: how often an item is served, in which place of a sitting, in
which of a subject's sittings, right after which other item, and together with which other item in one sitting.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

FAMILIES = ("served", "place", "sitting", "after", "together")
WEIGHTS = (8, 4, 1, 2, 2)      # of a squared unit of unevenness: what is served at all comes first, the sitting last
STEPS = 40_000                 # tried at most, about ten microseconds each;
STEPS_A_SERVING = 150          # and so many a serving where there are many servings
HEAT, COLD = 8.0, 0.8          # first and last temperature, in weighted squared units of unevenness


def williams_orders(n: int) -> np.ndarray:
    """Complete orders (n, n) for even n, (2n, n) for odd n, in which each item is once (twice) in each place and once
    (twice) right after each other item.

    The first row is 0 1 n-1 2 n-2 ..., the others add 1 modulo n; for odd n the reversed rows follow (Williams 1949,
    Aust. J. Sci. Res. A 2:149-168).
    """
    first = np.array([(k + 1) // 2 if k % 2 else -(k // 2) for k in range(n)])
    rows = (first + np.arange(n)[:, None]) % n
    return rows if n % 2 == 0 or n == 1 else np.vstack([rows, rows[:, ::-1]])


@dataclass(frozen=True)
class Seating:
    """Who sits how often before how many items: a row an order, its subject, its sitting, its length."""

    n: int
    subject: tuple[int, ...]
    sitting: tuple[int, ...]
    length: tuple[int, ...]

    @property
    def places(self) -> int:
        return max(self.length)

    @property
    def sittings(self) -> int:
        return max(self.sitting) + 1


def seating_of(n: int, subjects: int, lengths: tuple[int, ...]) -> Seating:
    """Every subject has one sitting of each of these lengths; rows run by sitting, then by subject."""
    rows = [(who, sitting, length) for sitting, length in enumerate(lengths) for who in range(subjects)]
    return Seating(n, *map(tuple, zip(*rows, strict=True)))


def evenness(orders: list[tuple[int, ...]], seating: Seating) -> dict[str, np.ndarray]:
    """By family, a row of figures: least and most count, sum of squares about the shares, and the same three at the
    bound.

    A family is divided into groups of c cells that share a total T whatever the orders are (for the places: one
    group a place). The sum of squares of whole numbers about T/c is least, r (c - r) / c with r = T mod c, where all
    are T/c rounded down or up. The bound looks at one family at a time; all together may not reach it.
    """
    counts = _counts(orders, seating)
    return {family: _figures(cells) for family, cells in zip(FAMILIES, _families(counts, seating), strict=True)}


def _figures(cells: np.ndarray) -> np.ndarray:
    """Of cells (groups, c)."""
    size, totals = cells.shape[1], cells.sum(axis=1)
    squares = ((cells - totals[:, None] / size) ** 2).sum()
    rest = totals % size
    return np.array([cells.min(), cells.max(), squares, (totals // size).min(), (-(-totals // size)).max(),
                     (rest * (size - rest) / size).sum()], dtype=float)


def excess(orders: list[tuple[int, ...]], seating: Seating) -> float:
    """Weighted sum of squares beyond the bounds; 0 where no orders can be more even."""
    figures = evenness(orders, seating).values()
    return float(sum(w * (row[2] - row[5]) for w, row in zip(WEIGHTS, figures, strict=True)))


def even_orders(seating: Seating, *, seed: int) -> list[tuple[int, ...]]:
    """Orders, one a row of the seating, of distinct items; a subject meets every item as often, or once more.

    With one sitting of all items, or before as many subjects as items, the first start is cyclic: Williams orders, or
    rows and all their shifts, so that places are even from the outset. The other is greedy. Single exchanges follow,
    worse ones ever more seldom (Kirkpatrick et al. 1983, Science 220:671-680), until the bound is reached or the steps
    are used up. The best that was seen is returned, items and subjects shuffled. Same seed, same orders.
    """
    rng, steps = np.random.default_rng(seed), max(STEPS, STEPS_A_SERVING * sum(seating.length))
    best, least = None, np.inf
    for start in _starts(seating, rng):
        found, left = _annealed(start, seating, rng, steps)
        if left < least - 1e-9:
            best, least = found, left
        if least < 1e-9:
            break
    return _shuffled(best, seating, rng)


def _starts(seating: Seating, rng: np.random.Generator) -> Iterator[list[list[int]]]:
    """Orders to begin with, one set after another."""
    if seating.sittings == 1 and (seating.length[0] == seating.n or len(seating.length) >= seating.n):
        yield _cyclic_start(seating, rng)
    yield _greedy_start(seating, rng)


def _cyclic_start(seating: Seating, rng: np.random.Generator) -> list[list[int]]:
    """Williams orders when complete; otherwise the base rows of which the shifts follow each other most evenly."""
    n, size, count = seating.n, seating.length[0], len(seating.length)
    if size == n:
        base = williams_orders(n).tolist()
        return [list(base[k % len(base)]) for k in range(count)]
    bases = _even_bases(n, size, -(-count // n), rng)
    return [[(item + shift) % n for item in bases[k]] for k in range(len(bases)) for shift in range(n)][:count]


def _even_bases(n: int, size: int, count: int, rng: np.random.Generator, tries: int = 3000) -> list[list[int]]:
    """Base rows whose steps from neighbour to neighbour, and whose differences of all pairs, are spread evenly mod n.

    Developed modulo n each difference d gives every pair of items d apart once (method of differences, Bose 1939,
    Ann. Eugenics 9:353-399).
    """
    rows = np.array([rng.permutation(n)[:size] for _ in range(count)])
    left = _difference_squares(rows, n)
    for _ in range(tries):
        trial = rows.copy()
        k = rng.integers(count)
        trial[k] = rng.permutation(n)[:size]
        new = _difference_squares(trial, n)
        if new <= left:
            rows, left = trial, new
    return rows.tolist()


def _difference_squares(rows: np.ndarray, n: int) -> int:
    steps = np.bincount(((rows[:, 1:] - rows[:, :-1]) % n).ravel(), minlength=n)
    pairs = np.bincount(((rows[:, :, None] - rows[:, None, :]) % n).ravel(), minlength=n)
    return int((steps[1:] ** 2).sum() + (pairs[1:] ** 2).sum())


def _greedy_start(seating: Seating, rng: np.random.Generator) -> list[list[int]]:
    """Row by row and place by place the item that a subject had least, then the one that all had least there."""
    had = np.zeros((max(seating.subject) + 1, seating.n))
    served, placed = np.zeros(seating.n), np.zeros((seating.places, seating.n))
    sat = np.zeros((seating.sittings, seating.n))
    rows = []
    for who, sitting, length in zip(seating.subject, seating.sitting, seating.length, strict=True):
        row: list[int] = []
        for place in range(length):
            worth = 100 * had[who] + 4 * served + 2 * placed[place] + 2 * sat[sitting] + 0.5 * rng.random(seating.n)
            worth[row] = np.inf
            item = int(np.argmin(worth))
            row.append(item)
            for table in (had[who], served, placed[place], sat[sitting]):
                table[item] += 1
        rows.append(row)
    return rows


class _Cells:
    """All cells in one flat list, and which of them an order touches."""

    def __init__(self, seating: Seating):
        n = seating.n
        sizes = (n, seating.places * n, seating.sittings * n, n * n, n * n)
        self.n, self.seating = n, seating
        self.at = np.concatenate([[0], np.cumsum(sizes)]).tolist()
        self.weight = np.repeat(WEIGHTS, sizes).tolist()
        self.count = [0] * self.at[-1]

    def by_order(self, row: list[int]) -> list[int]:
        """Cells that depend on the order of what is in a row: places and neighbours."""
        n, place, after = self.n, self.at[1], self.at[3]
        return ([place + p * n + i for p, i in enumerate(row)]
                + [after + a * n + b for a, b in zip(row, row[1:])])

    def by_content(self, k: int, row: list[int]) -> list[int]:
        """Cells that depend on what is in a row alone: served, sitting, together."""
        n, (served, _, sitting, _, together, _) = self.n, self.at
        sat = sitting + self.seating.sitting[k] * n
        cells = [served + i for i in row] + [sat + i for i in row]
        return cells + [together + (a * n + b if a < b else b * n + a) for p, a in enumerate(row) for b in row[p + 1:]]

    def touched(self, k: int, row: list[int]) -> list[int]:
        return self.by_order(row) + self.by_content(k, row)

    def add(self, cells: list[int]) -> int:
        """The growth of the weighted sum of squares."""
        count, weight, grown = self.count, self.weight, 0
        for cell in cells:
            grown += weight[cell] * (2 * count[cell] + 1)
            count[cell] += 1
        return grown

    def take(self, cells: list[int]) -> int:
        """The growth, mostly negative."""
        count, weight, grown = self.count, self.weight, 0
        for cell in cells:
            count[cell] -= 1
            grown -= weight[cell] * (2 * count[cell] + 1)
        return grown

    def put_back(self, gone: list[int], come: list[int]) -> None:
        """As it was before `gone` was taken and `come` was added."""
        for cell in come:
            self.count[cell] -= 1
        for cell in gone:
            self.count[cell] += 1


def _annealed(rows: list[list[int]], seating: Seating, rng: np.random.Generator, steps: int
              ) -> tuple[list[list[int]], float]:
    """The evenest orders that were met from this start, and their excess."""
    cells, rows = _Cells(seating), [list(row) for row in rows]
    now = [cells.touched(k, row) for k, row in enumerate(rows)]
    for touched in now:
        cells.add(touched)
    left = excess(rows, seating)
    best, least = [list(row) for row in rows], left
    chances, heats = rng.random((steps, 4)).tolist(), np.geomspace(HEAT, COLD, steps).tolist()
    own = _rows_by_subject(seating)
    for chance, heat in zip(chances, heats, strict=True):
        if least < 1e-9:
            break
        change = _change(rows, seating, own, chance)
        gone, come = _moved(cells, rows, now, change)
        grown = cells.take(gone) + cells.add(come)
        if grown <= 0 or chance[3] < math.exp(-grown / heat):
            for k, row in change.items():
                rows[k], now[k] = row, cells.touched(k, row)
            left += grown
            if left < least - 1e-9:
                best, least = [list(row) for row in rows], left
        else:
            cells.put_back(gone, come)
    return best, least


def _moved(cells: _Cells, rows: list[list[int]], now: list[list[int]], change: dict[int, list[int]]
           ) -> tuple[list[int], list[int]]:
    """The cells that a change leaves and those that it enters; of two places swapped only those of the order."""
    if len(change) == 1:
        (k, row), = change.items()
        if sorted(row) == sorted(rows[k]):
            return now[k][:2 * len(row) - 1], cells.by_order(row)
    return ([cell for k in change for cell in now[k]],
            [cell for k, row in change.items() for cell in cells.touched(k, row)])


def _rows_by_subject(seating: Seating) -> list[list[int]]:
    own: list[list[int]] = [[] for _ in range(max(seating.subject) + 1)]
    for k, who in enumerate(seating.subject):
        own[who].append(k)
    return own


def _change(rows: list[list[int]], seating: Seating, own: list[list[int]], chance: list[float]) -> dict[int, list[int]]:
    """New contents of one or two rows: two places of a row exchanged, items of two sittings of a subject or of two
    subjects, or an item that is put where a subject has had another more often. Nothing, where that is no change."""
    pick = chance[0] * len(rows)
    k, kind = int(pick), pick % 1
    row, mine = rows[k], own[seating.subject[k]]
    p = int(chance[1] * len(row))
    if kind < 0.5 and len(row) > 1:
        return {k: _swapped(row, p, int(chance[2] * len(row)))}
    if kind < 0.75 and len(mine) > 1:
        other = mine[int(chance[2] * len(mine))]
        return _traded(rows, k, other, p, int(chance[2] * 997) % len(rows[other]))
    if kind > 0.9:
        return _exchanged(rows, k, int(chance[2] * len(rows)), p, int(chance[2] * 997), own, seating)
    item = int(chance[2] * seating.n)
    had = [i for m in mine for i in rows[m]]
    if item in row or had.count(item) >= had.count(row[p]):
        return {k: _swapped(row, p, int(chance[2] * len(row)))}
    return {k: [*row[:p], item, *row[p + 1:]]}


def _swapped(row: list[int], p: int, q: int) -> list[int]:
    new = list(row)
    new[p], new[q] = new[q], new[p]
    return new


def _traded(rows: list[list[int]], k: int, other: int, p: int, q: int) -> dict[int, list[int]]:
    one, two = list(rows[k]), list(rows[other])
    if k == other or one[p] in two or two[q] in one:
        return {}
    one[p], two[q] = two[q], one[p]
    return {k: one, other: two}


def _exchanged(rows: list[list[int]], k: int, other: int, p: int, q: int, own: list[list[int]], seating: Seating
               ) -> dict[int, list[int]]:
    """Two subjects exchange items that the other one lacks, so that all stay served as often."""
    mine, yours = (seating.subject[j] for j in (k, other))
    q %= len(rows[other])
    one, two = rows[k][p], rows[other][q]
    if one == two or any(two in rows[j] for j in own[mine]) or any(one in rows[j] for j in own[yours]):
        return {}
    return {k: [*rows[k][:p], two, *rows[k][p + 1:]], other: [*rows[other][:q], one, *rows[other][q + 1:]]}


def _shuffled(rows: list[list[int]], seating: Seating, rng: np.random.Generator) -> list[tuple[int, ...]]:
    """Items renamed and subjects exchanged at random: no figure changes, and no order is the same every time."""
    names, people = rng.permutation(seating.n).tolist(), rng.permutation(max(seating.subject) + 1).tolist()
    at = {key: k for k, key in enumerate(zip(seating.subject, seating.sitting, strict=True))}
    return [tuple(names[i] for i in rows[at[people[who], sitting]])
            for who, sitting in zip(seating.subject, seating.sitting, strict=True)]


def _counts(orders: list[tuple[int, ...]], seating: Seating) -> _Cells:
    cells = _Cells(seating)
    for k, row in enumerate(orders):
        cells.add(cells.touched(k, list(row)))
    return cells


def _families(cells: _Cells, seating: Seating) -> list[np.ndarray]:
    """Cells (groups, c) of each family."""
    n, flat, at = seating.n, np.array(cells.count), cells.at
    apart, above = ~np.eye(n, dtype=bool), np.triu(np.ones((n, n), dtype=bool), 1)
    after, together = flat[at[3]:at[4]].reshape(n, n)[apart], flat[at[4]:].reshape(n, n)[above]
    return [flat[:n][None], flat[at[1]:at[2]].reshape(-1, n), flat[at[2]:at[3]].reshape(-1, n),
            after[None] if n > 1 else np.zeros((1, 1)), together[None] if n > 1 else np.zeros((1, 1))]
