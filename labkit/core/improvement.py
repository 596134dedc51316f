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


def value_of_seeing(draws, seen):
    """E[max_j E(y_j | seen)] - max_j E y_j: what one would settle on after seeing, against what one settles on now.

    draws : (n, m), n joint draws of y at what one might settle on; seen : (n, k), what would be seen in each of those
    worlds, noise included. E(y | seen) is taken as linear in `seen`, fitted on one half of the draws and used to
    settle on the other half, where the choice is paid with the drawn y; so the value is that of a choice that can be
    made, and is not inflated by fitting. A float, 0 where looking changes nothing. Raiffa & Schlaifer (1961), section
    4.5; regression of draws: Strong, Oakley & Brennan (2014), Medical Decision Making 34:311-326.
    """
    now = int(np.argmax(draws.mean(axis=0)))
    halves = np.arange(len(draws)) % 2 == 0
    paid = []
    for half in (halves, ~halves):
        middle, level = seen[half].mean(axis=0), draws[half].mean(axis=0)
        slopes = np.linalg.lstsq(seen[half] - middle, draws[half] - level, rcond=1e-9)[0]
        chosen = np.argmax(level + (seen[~half] - middle) @ slopes, axis=1)
        paid.append(draws[~half][np.arange(len(chosen)), chosen] - draws[~half][:, now])
    return max(float(np.concatenate(paid).mean()), 0.0)


def spread_after(draws, seen):
    """Standard deviation of each y_j that is left after seeing: root mean square of its residual on `seen`, (m,)."""
    n, k = seen.shape
    centred = draws - draws.mean(axis=0)
    basis = np.linalg.qr(seen - seen.mean(axis=0))[0]
    left = centred - basis @ (basis.T @ centred)
    return np.sqrt((left**2).sum(axis=0) / max(n - 1 - k, 1))


def choose_set(draws, pots, settled, *, pours, melts, keep=()):
    """The candidates of largest joint expected improvement, with at most ceil(pours / melts) of them in a pot.

    Greedy, then exchange of whole pots and of single candidates until nothing improves.

    draws : (n, m); pots : (m,) int, which pot a candidate comes from; settled : (n,); keep : columns that are in the
    set in any case. Returns a list of `pours` column numbers, those of a pot together. With a pot each, the greedy set
    reaches 1 - 1/e of the best, since the criterion is submodular (Nemhauser, Wolsey & Fisher 1978, Mathematical
    Programming 14:265-294).
    """
    search = _Search(draws, np.asarray(pots), settled, pours, melts)
    chosen = search.filled(keep)
    worth = search.worth(chosen)
    for _ in range(5):
        trials = [search.filled(rest) for rest in search.partial(chosen, keep)]
        if not trials:
            break
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

    def partial(self, chosen, keep):
        """The set without each of its pots, and without each of its members, but for those to keep."""
        used = list(dict.fromkeys(self.pots[j] for j in chosen))
        fewer = [[j for j in chosen if self.pots[j] != pot or j in keep] for pot in used]
        fewer += [[j for j in chosen if j != out or j in keep] for out in dict.fromkeys(chosen)]
        return [rest for rest in fewer if len(rest) < len(chosen)]

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
