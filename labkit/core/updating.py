"""Draws brought up to date by one result, and the results from which on another choice is the better one."""

import numpy as np


def updated(drawn, seen, result):
    """y_k + c (result - s_k), c = cov(y, s) / var(s): the draws as they are once s has come out as `result`.

    drawn : (n, m), joint draws of m quantities; seen : (n,), what would be seen in each of those worlds, noise
    included; result : a number, or r of them. Returns (n, m), or (r, n, m). Exact for jointly normal draws (Journel &
    Huijbregts 1978, Mining Geostatistics, section VII.A: conditioning by kriging of the difference).
    """
    off = seen - seen.mean()
    spread = off @ off
    slopes = off @ (drawn - drawn.mean(axis=0)) / (spread if spread > 0 else 1.0)
    moved = np.subtract.outer(np.asarray(result, dtype=float), seen)
    return drawn + moved[..., None] * slopes


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
