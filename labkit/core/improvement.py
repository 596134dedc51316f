"""What looking is worth: expected improvement, knowledge gradient, and the set that is worth most together.

Draws are arrays (n, m): n joint draws of a quantity (larger is better) at m candidates.
"""

import numpy as np

CHUNK = 2_000_000                      # cells of a temporary array: 16 MB


def expected_improvement(mean, sd, best):
    """E[max(y - best, 0)] = s [z Phi(z) + phi(z)], z = (mean - best) / s, for y ~ N(mean, s^2).

    mean, sd, best : arrays that broadcast, sd >= 0 (at sd = 0: max(mean - best, 0)). Returns an array.
    Jones, Schonlau & Welch (1998), Journal of Global Optimization 13:455-492, eq. 15.
    """
    from scipy.special import ndtr

    gap, sd = np.broadcast_arrays(np.subtract(mean, best, dtype=float), np.asarray(sd, dtype=float))
    z = np.divide(gap, sd, out=np.zeros(gap.shape), where=sd > 0)
    density = np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi)
    return np.where(sd > 0, np.maximum(sd * (z * ndtr(z) + density), 0.0), np.maximum(gap, 0.0))


def knowledge_gradient_of_two(difference, sd):
    """h = s [phi(d/s) - (d/s) Phi(-d/s)]: what one measurement adds to the better of two alternatives.

    difference : array, d = |difference between the two means now|; sd : array, s = standard deviation of the
    change that the measurement brings to that difference. Returns an array. Frazier, Powell & Dayanik (2008),
    SIAM Journal on Control and Optimization 47:2410-2439.
    """
    return expected_improvement(-np.abs(difference), sd, 0.0)


def joint_expected_improvement(draws, settled):
    """E[max(0, max_j y_j - y_settled)] over joint draws: the improvement that the best of the set brings.

    draws : (n, k), the set; settled : (n,), the same draws at what one would settle on without it. A float.
    Ginsbourger, Le Riche & Carraro (2010), section 3, by simulation.
    """
    return float(np.mean(np.maximum(draws.max(axis=1, initial=-np.inf) - settled, 0.0)))


def gains(draws, floor):
    """E[max(y_j - floor, 0)] for each candidate j: (n, m) and (n,) -> (m,)."""
    n, m = draws.shape
    step = max(1, CHUNK // n)
    parts = [np.maximum(draws[:, i:i + step] - floor[:, None], 0.0).sum(axis=0) for i in range(0, m, step)]
    return np.concatenate(parts) / n


def choose_set(draws, pots, settled, *, pours, melts):
    """The candidates of largest joint expected improvement, with at most ceil(pours / melts) of them in a
    pot.

    Greedy, then exchange of whole pots and of single candidates until nothing improves.

    draws : (n, m); pots : (m,) int, which pot a candidate comes from; settled : (n,). Returns a list of
    `pours` column numbers, those of a pot together. With a pot each, the greedy set reaches 1 - 1/e of the
    best, since the criterion is submodular (Nemhauser, Wolsey & Fisher 1978, Mathematical Programming
    14:265-294). """
    search = _Search(draws, np.asarray(pots), settled, pours, melts)
    chosen = search.filled([])
    worth = search.worth(chosen)
    for _ in range(5):
        trials = [search.filled(rest) for rest in search.partial(chosen)]
        best = max(trials, key=search.worth)
        if search.worth(best) <= worth * (1 + 1e-9):
            break
        chosen, worth = best, search.worth(best)
    return sorted(chosen, key=lambda j: [pots[i] for i in chosen].index(pots[j]))


class _Search:
    """The moves of `choose_set`: what may still be added, and sets with a part taken out."""

    def __init__(self, draws, pots, settled, pours, melts):
        self.draws, self.pots, self.settled, self.pours, self.melts = draws, pots, settled, pours, melts
        self.room = -(-pours // melts)

    def worth(self, chosen):
        return joint_expected_improvement(self.draws[:, chosen], self.settled)

    def filled(self, chosen):
        """`chosen` with the best candidate added until the set is full."""
        chosen = list(chosen)
        floor = np.maximum(self.settled, self.draws[:, chosen].max(axis=1, initial=-np.inf))
        while len(chosen) < self.pours:
            columns = self._allowed(chosen)
            j = columns[int(np.argmax(gains(self.draws[:, columns], floor)))]
            chosen.append(int(j))
            floor = np.maximum(floor, self.draws[:, j])
        return chosen

    def partial(self, chosen):
        """The set without each of its pots, and without each of its members."""
        used = list(dict.fromkeys(self.pots[j] for j in chosen))
        return [[j for j in chosen if self.pots[j] != pot] for pot in used] + [
            [j for j in chosen if j != out] for out in dict.fromkeys(chosen)]

    def _allowed(self, chosen):
        """Columns that may join: in an open pot with room, or in a new one while there are melts left."""
        used, counts = np.unique(self.pots[chosen], return_counts=True)
        left, unopened = self.pours - len(chosen), self.melts - len(used)
        open_pots = used[counts < self.room]
        inside = np.isin(self.pots, open_pots)
        fresh = ~np.isin(self.pots, used)
        if unopened == 0:
            return np.flatnonzero(inside)
        return np.flatnonzero(fresh if left <= unopened else inside | fresh)
