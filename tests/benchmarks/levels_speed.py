"""How long do adjusted means take? The panel's arithmetic beside statsmodels' mixed model on the same scores.

    python tests/benchmarks/levels_speed.py [times]

40 pours, 12 testers, nine in ten of the scores, each given twice. labkit: noise with its prior and adjusted means; the
peer: MixedLM by REML with testers, and cells of a tester and a pour, as variance components, started from its defaults.
Medians of one process, and their ratio, which depends little on the machine: .003 on one core.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import statistics
import sys
import time
import warnings

import numpy as np
import pandas as pd
import statsmodels.formula.api as smf

from labkit.core import levels


def scores(seed: int = 1, pours: int = 40, testers: int = 12) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    pour, tester = np.nonzero(rng.random((pours, testers)) < 0.9)
    score = rng.normal(5, 1.5, pours)[pour] + rng.normal(0, 1, testers)[tester] + rng.normal(0, 0.57, len(pour))
    once = pd.DataFrame({"pour": pour, "tester": tester, "score": score})
    twice = pd.concat([once, once], ignore_index=True)
    twice["score"] += rng.normal(0, 0.57, len(twice))
    return twice.assign(one=1, cell=twice["pour"].astype(str) + "/" + twice["tester"].astype(str))


def by_labkit(frame: pd.DataFrame) -> None:
    cells = levels.cells_of(frame["pour"].to_numpy(), frame["tester"].to_numpy(), frame["score"].to_numpy())
    levels.adjusted_means(cells, levels.noise_with_prior(cells, tester=1.0, score=0.8))


def by_mixed_model(frame: pd.DataFrame) -> None:
    parts = {"cell": "0+C(cell)", "tester": "0+C(tester)"}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        smf.mixedlm("score ~ 0 + C(pour)", frame, groups="one", re_formula="0", vc_formula=parts).fit(reml=True)


def seconds(way, frame: pd.DataFrame, times: int) -> float:
    """Median, after one run that fills the caches."""
    taken = []
    for _ in range(times + 1):
        start = time.perf_counter()
        way(frame)
        taken.append(time.perf_counter() - start)
    return statistics.median(taken[1:])


def main(times: int = 5) -> None:
    frame = scores()
    own, other = seconds(by_labkit, frame, times), seconds(by_mixed_model, frame, times)
    print(f"labkit {own:.3f} s, mixed model {other:.3f} s, ratio {own / other:.4f}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:2]))
