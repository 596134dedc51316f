"""Corners of a region, beside trying every set of rows (brute force). python tests/benchmarks/vertices_speed.py

The flare (McLean & Anderson 1966) and 8 parts of .05 to .30 with three further limits; milliseconds, the best of ten.
"""

import itertools
import time

import numpy as np

from labkit.core import simplex

LIMITS = np.array([[1, 1, 0, 0, 0, 0, 0, 0], [0, 0, 1, -1, 0, 0, 0, 0], [0, 0, 0, 0, 1, 1, 1, 0]], dtype=float)


def bounded(low, high, rows=None, most=()):
    """{x : sum x = 1, low <= x <= high, rows x <= most}."""
    q = len(low)
    below = np.vstack([np.eye(q), -np.eye(q)] + ([rows] if rows is not None else []))
    return simplex.Polytope(equal=np.ones((1, q)), equal_to=[1.0], below=below, below_to=np.r_[high, -np.array(low), most])


def by_brute_force(polytope):
    """Every set of rows that can meet in a corner, solved and kept when feasible."""
    q, found = polytope.below.shape[1], set()
    for rows in itertools.combinations(range(len(polytope.below)), q - 1):
        matrix = np.vstack([polytope.equal, polytope.below[list(rows)]])
        if abs(np.linalg.det(matrix)) > 1e-9:
            x = np.linalg.solve(matrix, np.r_[polytope.equal_to, polytope.below_to[list(rows)]])
            if simplex.contains(polytope, x[None])[0]:
                found.add(tuple(np.round(x, 8) + 0.0))
    return found


def milliseconds(call, times):
    taken = []
    for _ in range(times):
        started = time.perf_counter()
        call()
        taken.append(1e3 * (time.perf_counter() - started))
    return min(taken)


def main():
    flare = bounded([0.40, 0.10, 0.10, 0.03], [0.60, 0.50, 0.50, 0.08])
    eight = bounded([0.05] * 8, [0.30] * 8, rows=LIMITS, most=[0.40, 0.10, 0.50])
    for name, polytope, goal, peer_times in (("flare", flare, 5, 3), ("8 parts, 3 limits", eight, 20, 1)):
        ours = milliseconds(lambda p=polytope: simplex.vertices(p), 10)
        peer = milliseconds(lambda p=polytope: by_brute_force(p), peer_times)
        same = len(simplex.vertices(polytope)) == len(by_brute_force(polytope))
        print(f"{name}: {ours:.1f} ms (wanted: {goal}), brute force {peer / ours:.0f} times that; same corners: {same}")


if __name__ == "__main__":
    main()
