"""The search for a round: pours exchanged within their melt, melts moved as a whole, from several starts."""

from dataclasses import dataclass, field

import numpy as np

from labkit.core.optimal import Criterion, is_regular
from labkit.core.terms import frozen

PASSES = 60
GAIN = 1e-9  # a change of the loss smaller than this is none
RIDGE = 1e-6  # of the mean information: lets a start be improved while its precision is still singular
INFLATED = 1e10  # sum of variance inflation factors from which a precision counts as singular
WASTED = 1e9  # added to the loss while all melts have one pot where they should differ


@dataclass(frozen=True, kw_only=True, eq=False)
class Pool:
    """What may be poured: rows (N, p) of the model, and the pot and the stirred-in part that each is made of.

    pot (N,) and stirred (N,) are whole numbers from 0. `table[a, b]` is the candidate with pot a and stirred-in
    part b, or -1 where they do not go together.
    """

    rows: np.ndarray
    pot: np.ndarray
    stirred: np.ndarray
    table: np.ndarray = field(init=False, repr=False)
    members: tuple = field(init=False, repr=False)

    def __post_init__(self):
        for name, kind in (("rows", float), ("pot", int), ("stirred", int)):
            object.__setattr__(self, name, frozen(getattr(self, name), dtype=kind))
        table = np.full((self.pot.max() + 1, self.stirred.max() + 1), -1)
        table[self.pot, self.stirred] = np.arange(len(self.rows))
        members = [np.flatnonzero(self.pot == pot) for pot in range(len(table))]
        object.__setattr__(self, "table", frozen(table, dtype=int))
        object.__setattr__(self, "members", tuple(members))


@dataclass(frozen=True, kw_only=True, eq=False)
class Task:
    """A round to be searched: which pours share a melt, what is known before, what is asked.

    melts (n,) labels 0..k-1; known (p, p) precision from the prior and earlier rounds; ratio of the variance of
    melts to that of pours; locked (n,) the candidate that a pour must be, or -1. weights (n,): how many pours of its
    melt a choice stands for; copies (k,): how many melts a melt stands for. pots_differ: not all melts of the round
    have the same pot, even where the criterion would rather leave the pot for later.
    """

    pool: Pool
    melts: np.ndarray
    known: np.ndarray
    criterion: Criterion
    ratio: float = 0.0
    locked: np.ndarray | None = None
    weights: np.ndarray | None = None
    copies: np.ndarray | None = None
    pots_differ: bool = False
    shrinkage: np.ndarray = field(init=False, repr=False)  # (k,) c = ratio / (1 + m ratio) of a melt of m pours

    def __post_init__(self):
        melts = frozen(self.melts, dtype=int)
        fill = {"locked": np.full(len(melts), -1), "weights": np.ones(len(melts)), "copies": np.ones(max(melts) + 1)}
        for name, usual in fill.items():
            given = getattr(self, name)
            object.__setattr__(self, name, frozen(usual if given is None else given, dtype=usual.dtype))
        object.__setattr__(self, "melts", melts)
        object.__setattr__(self, "known", frozen(self.known))
        size = np.bincount(melts, weights=self.weights)
        object.__setattr__(self, "shrinkage", frozen(self.ratio / (1 + size * self.ratio)))
        inside = (np.arange(len(size))[:, None] == melts) * self.weights
        object.__setattr__(self, "_sums", np.sqrt(self.copies * self.shrinkage)[:, None] * inside)
        object.__setattr__(self, "_times", np.sqrt(self.weights * self.copies[melts])[:, None])

    def precision(self, chosen) -> np.ndarray:
        """Posterior precision when the pours are these candidates (n,)."""
        rows = self.pool.rows[chosen]
        sums, rows = self._sums @ rows, self._times * rows
        return self.known + rows.T @ rows - sums.T @ sums

    def loss(self, chosen) -> float:
        """The criterion of a choice of candidates (n,); infinite where not every function is estimable."""
        precision = self.precision(chosen)
        return self.criterion.value(precision) if is_regular(precision) and not self.wastes(chosen) else np.inf

    def wastes(self, chosen) -> bool:
        """Whether all melts have one pot although they should differ."""
        return self.pots_differ and np.ptp(self.pool.pot[chosen]) == 0

    def pots_of(self, melt) -> list:
        """The pots that a melt may have: all, or that of the pour that is locked in it."""
        held = self.locked[(self.melts == melt) & (self.locked >= 0)]
        return [int(self.pool.pot[held[0]])] if len(held) else list(range(len(self.pool.members)))


@dataclass(frozen=True, kw_only=True, eq=False)
class Found:
    """A choice of candidates (n,) and its loss."""

    chosen: np.ndarray
    loss: float


def search(task, *, starts=4, kicks=8, seed=0) -> Found:
    """The best of several exchange searches from random starts, each followed by kicks; the first of equals.

    A kick draws a quarter of the melts anew and improves the round again; what is no worse is kept (iterated local
    search: Lourenco, Martin & Stutzle 2003).
    """
    rng, best = np.random.default_rng(seed), None
    for _ in range(starts):
        found = improved(task, random_start(task, rng))
        for _ in range(kicks):
            again = improved(task, kicked(task, found.chosen, rng))
            found = again if again.loss <= found.loss else found
        best = found if best is None or found.loss < best.loss - GAIN * (1 + abs(best.loss)) else best
    return best


def kicked(task, chosen, rng) -> np.ndarray:
    """A choice with a quarter of its melts (one at least) drawn anew."""
    melts = task.melts.max() + 1
    moved = rng.choice(melts, size=-(-melts // 4), replace=False)
    return np.where(np.isin(task.melts, moved), random_start(task, rng), chosen)


def random_start(task, rng) -> np.ndarray:
    """Random pots for the melts, random candidates of that pot for their pours."""
    chosen = np.empty(len(task.melts), dtype=int)
    for melt in range(task.melts.max() + 1):
        pots = task.pots_of(melt)
        pot = pots[rng.integers(len(pots))]
        inside = task.melts == melt
        chosen[inside] = rng.choice(task.pool.members[pot], size=inside.sum())
    return np.where(task.locked >= 0, task.locked, chosen)


def improved(task, chosen) -> Found:
    """Exchange pours and move melts until nothing helps."""
    state = _State(task, chosen)
    for _ in range(PASSES):
        moved = [state.exchange(pour) for pour in state.free]
        moved += [state.move_melt(melt) for melt in state.shared]
        if not any(moved):
            break
    return Found(chosen=frozen(state.chosen, dtype=int), loss=task.loss(state.chosen))


class _State:
    """A search under way: the choice, its loss, the inverse of its precision (with a ridge while singular)."""

    def __init__(self, task, chosen):
        self.task, self.chosen = task, np.array(chosen)
        sizes = np.bincount(task.melts)
        self.sizes = sizes
        self.free = np.flatnonzero(task.locked < 0)
        self.shared = [melt for melt in range(len(sizes)) if sizes[melt] > 1 and len(task.pots_of(melt)) > 1]
        self.flat = not is_regular(task.known)
        self.ridge = RIDGE * float(np.mean(task.pool.rows**2)) * np.eye(len(task.known))
        self.refresh()

    def refresh(self) -> None:
        """Recompute the loss, the inverse of the precision, and for I what a change of it costs."""
        criterion, precision = self.task.criterion, self.task.precision(self.chosen)
        self.inverse = _regular_inverse(precision) if self.flat else np.linalg.inv(precision)
        if self.inverse is None:
            precision = precision + self.ridge
            self.inverse = np.linalg.inv(precision)
        wasted = WASTED if self.task.wastes(self.chosen) else 0.0
        if criterion.kind == "D":
            self.loss = wasted - np.linalg.slogdet(precision)[1]
            return
        half = self.inverse @ criterion.moments
        self.loss, self.spread = wasted + np.trace(half), half @ self.inverse

    def allowed(self, pour) -> np.ndarray:
        """The candidates that a pour may become: any when it has its melt to itself, else those of its pot."""
        if self.sizes[self.task.melts[pour]] == 1:
            return np.arange(len(self.task.pool.rows))
        return self.task.pool.members[self.task.pool.pot[self.chosen[pour]]]

    def exchange(self, pour) -> bool:
        """Put the best candidate in the place of a pour; whether that helped."""
        candidates = self.allowed(pour)
        losses = self.losses(pour, candidates) + self.wasting(pour, candidates)
        best = int(np.argmin(losses))
        if not losses[best] < self.loss - GAIN * (1 + abs(self.loss)):
            return False
        before = self.chosen[pour]
        self.chosen[pour] = candidates[best]
        loss = self.loss
        self.refresh()
        if self.loss < loss:
            return True
        self.chosen[pour] = before
        self.refresh()
        return False

    def wasting(self, pour, candidates) -> np.ndarray | float:
        """What each candidate in the place of a pour that has its melt to itself adds to the loss, or takes from it."""
        task, pots = self.task, self.task.pool.pot
        if not task.pots_differ or self.sizes[task.melts[pour]] > 1:
            return 0.0
        others = pots[np.delete(self.chosen, pour)]
        alike = (pots[candidates] == others[0]) & (np.ptp(others) == 0)
        return WASTED * (alike - float(task.wastes(self.chosen)))

    def losses(self, pour, candidates) -> np.ndarray:
        """The loss with each candidate (m,) in the place of a pour, by a rank-two update.

        In a melt whose other pours have the row sum r, a choice f that stands for w pours adds W u u', up to what does
        not depend on f: u = f - r c / (1 - c w), W = w - c w^2, c the melt's shrinkage. Taking u_o out and u_n in turns
        A into A + W u_n u_n' - W u_o u_o' (Fedorov 1972).
        """
        task, melt = self.task, self.task.melts[pour]
        others, times, c = task.melts == melt, task.weights[pour], task.shrinkage[melt]
        others[pour] = False
        rest = (task.weights[others] @ task.pool.rows[self.chosen[others]]) * c / (1 - c * times)
        weight = task.copies[melt] * times * (1 - c * times)
        new, old = task.pool.rows[candidates] - rest, task.pool.rows[self.chosen[pour]] - rest
        nn, no, oo = _forms(new, old, self.inverse)
        change = weight**2 * ((1 / weight + nn) * (1 / weight - oo) + no**2)  # ratio of the determinants
        if task.criterion.kind == "D":
            return self.loss - np.log(np.maximum(change, 1e-300))
        m_nn, m_no, m_oo = _forms(new, old, self.spread)
        gain = weight**2 * ((1 / weight - oo) * m_nn + 2 * no * m_no - (1 / weight + nn) * m_oo)
        return np.where(change > 1e-12, self.loss - gain / np.maximum(change, 1e-12), np.inf)

    def move_melt(self, melt) -> bool:
        """Give a melt another pot, its pours carried over and improved within it; whether that helped."""
        pours = np.flatnonzero(self.task.melts == melt)
        best, start = (self.loss, self.chosen.copy()), self.chosen.copy()
        for pot in self._other_pots(melt, start[pours]):
            self.chosen = start.copy()
            self.chosen[pours] = self._carried(start[pours], pot)
            self.refresh()
            for pour in pours:
                self.exchange(pour)
            if self.loss < best[0] - GAIN * (1 + abs(best[0])):
                best = self.loss, self.chosen.copy()
        self.chosen = best[1]
        self.refresh()
        return not np.array_equal(self.chosen, start)

    def _other_pots(self, melt, chosen) -> list:
        """Pots that go together with the stirred-in parts of a melt; all others where there is none."""
        pool = self.task.pool
        others = np.array([pot for pot in self.task.pots_of(melt) if pot != pool.pot[chosen[0]]], dtype=int)
        fit = others[(pool.table[others][:, pool.stirred[chosen]] >= 0).all(axis=1)]
        return (fit if len(fit) else others).tolist()

    def _carried(self, chosen, pot) -> np.ndarray:
        """The same stirred-in parts with another pot; where they do not go together, that pot's first candidates."""
        pool = self.task.pool
        moved = pool.table[pot, pool.stirred[chosen]]
        return np.where(moved >= 0, moved, np.resize(pool.members[pot], len(chosen)))


def _regular_inverse(precision):
    """The inverse, or None where a function is not estimable: A_jj (A^-1)_jj is huge (an inflated variance)."""
    try:
        inverse = np.linalg.inv(precision)
    except np.linalg.LinAlgError:
        return None
    inflation = np.diag(precision) * np.diag(inverse)
    return inverse if inflation.min() > 0 and inflation.sum() < INFLATED else None


def _forms(new, old, matrix):
    """u_n' B u_n (m,), u_n' B u_o (m,), u_o' B u_o for rows u_n (m, p) and u_o (p,)."""
    turned = new @ matrix
    return np.sum(turned * new, axis=1), turned @ old, float(old @ matrix @ old)
