"""Draws brought up to date by one result, and the results from which on another choice is the better one."""

import numpy as np


def updated(drawn, seen, result, gains):
    """y_k + g_k (result - s_k): the draws as they are once s has come out as `result`.

    drawn : (n, m), joint draws of m quantities; seen : (n,), what would be seen in each of those worlds, noise
    included; result : a number, or r of them; gains : cov(y, s) / var(s), (m,), or (n, m) where the draws come from
    several normal distributions. Returns (n, m), or (r, n, m). Exact for normal draws (Journel & Huijbregts 1978,
    Mining Geostatistics, section VII.A: conditioning by kriging of the difference); of a mixture, with `likelihoods`.
    """
    moved = np.subtract.outer(np.asarray(result, dtype=float), seen)
    return drawn + moved[..., None] * gains


def likelihoods(result, middle, spread):
    """w_k ~ N(result; m_k, s_k^2), adding to one: how far each draw's distribution foretold the result.

    result : a number, or r of them; middle, spread : (n,), of `seen` in the normal distribution that a draw comes
    from. Returns (n,), or (r, n).
    """
    off = np.subtract.outer(np.asarray(result, dtype=float), middle) / spread
    logs = -0.5 * off**2 - np.log(spread)
    weights = np.exp(logs - logs.max(axis=-1, keepdims=True))
    return weights / weights.sum(axis=-1, keepdims=True)


def turning_points(results, lead, expected):
    """The results nearest to `expected`, below and above it, from which on somebody leads.

    results : (r,) increasing; lead : (r, others), by how much each other choice is worth more at that result.
    Returns (below, who), (above, who); nan and -1 where nobody ever leads on that side. A crossing between two
    results is found on the straight line between them.
    """
    at = np.arange(len(results))
    down, up = at[results <= expected][::-1], at[results >= expected]
    return _first_lead(results[down], lead[down]), _first_lead(results[up], lead[up])


def _first_lead(results, lead):
    if not lead.size or not (ahead := lead.max(axis=1) > 0).any():
        return float("nan"), -1
    k = int(np.argmax(ahead))
    who = int(np.argmax(lead[k]))
    if k == 0:
        return float(results[0]), who
    part = lead[k, who] / (lead[k, who] - min(lead[k - 1, who], 0.0))
    return float(results[k] - part * (results[k] - results[k - 1])), who
