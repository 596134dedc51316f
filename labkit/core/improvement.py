"""What looking is worth: expected improvement, knowledge gradient, and the set that is worth most together.

Draws are arrays (n, m): n joint draws of a quantity (larger is better) at m candidates.
"""

import math

import numpy as np

from labkit.core.links import normal_density
from labkit.core.posterior import BLOCK


def expected_improvement(mean, sd, best):
    """E[max(y - best, 0)] = s [z Phi(z) + phi(z)], z = (mean - best) / s, for y ~ N(mean, s^2).

    mean, sd, best : arrays that broadcast, sd >= 0 (at sd = 0: max(mean - best, 0)). Returns an array.
    Jones, Schonlau & Welch (1998), Journal of Global Optimization 13:455-492, eq. 15.
    """
    from scipy.special import ndtr

    gap, sd = np.broadcast_arrays(np.subtract(mean, best, dtype=float), np.asarray(sd, dtype=float))
    z = np.divide(gap, sd, out=np.zeros(gap.shape), where=sd > 0)
    return np.where(sd > 0, np.maximum(sd * (z * ndtr(z) + normal_density(z)), 0.0), np.maximum(gap, 0.0))


def knowledge_gradient_of_two(difference, sd):
    """h = s [phi(d/s) - (d/s) Phi(-d/s)]: what one measurement adds to the better of two alternatives.

    difference : array, d = |difference between the two means now|; sd : array, s = standard deviation of the
    change that the measurement brings to that difference. Returns an array. Frazier, Powell & Dayanik (2008),
    SIAM Journal on Control and Optimization 47:2410-2439. What `paid_by_world` finds by simulation is checked against
    this closed form.
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
    step = max(1, BLOCK // n)
    parts = [np.maximum(draws[:, i:i + step] - floor[:, None], 0.0).sum(axis=0) for i in range(0, m, step)]
    return np.concatenate([*parts, np.zeros(0)]) / n


def value_of_seeing(drawn, seen, worth, **sizes):
    """E[max_j E(D_j | seen)] - max_j E D_j, not under 0: the mean of `paid_by_world`, with the same arguments."""
    return max(float(paid_by_world(drawn, seen, worth, **sizes).mean()), 0.0)


def paid_by_world(drawn, seen, worth, *, worlds=256, inner=16, paid=64, precision=float):
    """max_j E(D_j | seen) - max_j E D_j: what one would settle on after seeing, against what one settles on now.

    drawn : k arrays (n, m), joint draws of k properties at m things to settle on; seen : k arrays (n, q), what would be
    seen of each property in each of those worlds, noise included; worth : k arrays -> D, an array of their shape.
    n >= worlds + inner + paid.

    Each property is learned from what is seen of it, E(y | seen) linear in `seen` by regression over the draws (Strong,
    Oakley & Brennan 2014, Medical Decision Making 34:311-326); what is left of it stays uncertain. In each of
    `worlds` the choice follows the mean of D over `inner` draws of what is left and is paid by `paid` others of its
    own, so that choosing does not inflate the value (Raiffa & Schlaifer 1961, section 4.5: preposterior analysis).
    Straight lines and one spread for what is left make it too high where little is known: with one attribute and few
    pours by a third for one tester and a sixth for six, beside drawn worlds weighed by the likelihood of what is seen.
    precision : of what `worth` is asked for in the simulation; with np.float32 let the properties lie about 0.
    Returns (worlds,).
    """
    pairs = [tuple(part.astype(precision) for part in _learned(y, s)) for y, s in zip(drawn, seen, strict=True)]
    known = [fit[:worlds] for fit, _ in pairs]
    first = np.arange(worlds, worlds + inner)
    others = np.resize(np.delete(np.arange(len(drawn[0])), first), (worlds, paid))
    now, open_ = int(np.argmax(worth(drawn).mean(axis=0))), [_centred(left[first]) for _, left in pairs]
    step = max(1, BLOCK // (inner * drawn[0].shape[1]))
    hoped = [worth([fit[i:i + step, None, :] + left for fit, left in zip(known, open_, strict=True)]).mean(axis=1)
             for i in range(0, worlds, step)]
    chosen = np.argmax(np.vstack(hoped), axis=1)

    def payment(columns):
        rows = np.arange(len(columns))
        return worth([fit[rows, columns][:, None] + left[others, columns[:, None]]
                      for fit, (_, left) in zip(known, pairs, strict=True)]).mean(axis=1, dtype=float)

    return payment(chosen) - payment(np.full(len(chosen), now))


def _centred(left):
    """Residuals of a few draws less their mean, with their spread kept: over all draws the mean is nothing."""
    return (left - left.mean(axis=0)) * math.sqrt(len(left) / (len(left) - 1))


def _learned(drawn, seen):
    """E(y | seen) by least squares over the draws, and the residuals; both (n, m)."""
    level, off = drawn.mean(axis=0), seen - seen.mean(axis=0)
    basis, sizes, _ = np.linalg.svd(off, full_matrices=False)
    basis = basis[:, sizes > 1e-9 * sizes.max(initial=0.0)]
    fit = level + basis @ (basis.T @ (drawn - level))
    return fit, drawn - fit


def spread_after(drawn, seen, worth, *, worlds=128):
    """Standard deviation of each D_j that is left after seeing: root mean square over `worlds`, (m,).

    drawn, seen, worth : as in `paid_by_world`, where y is learned in the same way; its residuals are scaled by their
    degrees of freedom. D itself is not regressed: a peak is no straight line, and would seem unsure however well y is
    known.
    """
    known, left = zip(*(_learned(y, s) for y, s in zip(drawn, seen, strict=True)), strict=True)
    n = len(drawn[0])
    left = [part * math.sqrt(n / max(n - 1 - s.shape[1], 1)) for part, s in zip(left, seen, strict=True)]
    step = max(1, BLOCK // drawn[0].size)
    spread = [worth([fit[i:min(i + step, worlds), None, :] + part for fit, part in zip(known, left, strict=True)])
              .var(axis=1, dtype=float) for i in range(0, min(worlds, n), step)]
    return np.sqrt(np.vstack(spread).mean(axis=0))


def choose_set(draws, pots, settled, *, pours, melts, keep=()):
    """The candidates of largest joint expected improvement, with at most ceil(pours / melts) of them in a pot.

    Greedy, then exchange of whole pots and of single candidates until nothing improves.

    draws : (n, m); pots : (m,) int from 0, the pot of a candidate; settled : (n,); keep : columns that are in the set
    in any case. Returns a list of `pours` column numbers, those of a pot together. With a pot each, the greedy set
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
        counts = np.bincount(self.pots[chosen], minlength=self.pots.max() + 1)
        left, unopened = self.pours - len(chosen), self.melts - np.count_nonzero(counts)
        inside, fresh = ((counts > 0) & (counts < self.room))[self.pots], (counts == 0)[self.pots]
        allowed = inside if unopened == 0 else fresh if left <= unopened else inside | fresh
        return np.flatnonzero(allowed if allowed.any() else np.ones_like(allowed))
