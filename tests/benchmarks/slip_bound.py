"""How often can a slipped score be found at all? What the best test could do, beside what the flags do.

    python tests/benchmarks/slip_bound.py [panels] [first seed]

y_pt = pour_p + level_t + e_pt with e ~ N(0, s^2), pours fixed, levels N(0, v_T). A single score may be off by
+d or -d; which of the m = PT cells and which sign are not known. Whatever the pours are, all that a test may use is
u = Qy, with Q the residual maker (pours fixed, levels random), u ~ N(d q_i, Q) under a slip of d in cell i, q_i column
i of Q, for s known. So

    log LR_i(+-d) = +- d u_i - d^2 Q_ii / 2.

There is a slip. By the lemma of Neyman & Pearson (1933, Phil. Trans. R. Soc. A 231:289-337) no test of size alpha sees
slips that fall on any cell and sign alike more often than the one that rejects where the mean of LR_i over cells and
signs is large: column `any`. It may say only that something is off.

Here is the slip. A rule that names one cell, or none, and names any on alpha of the clean panels, names the right one
at most with the sum over cells of P_i(cell i is named); by the same lemma, cell by cell, that is greatest for the cell
of the greatest LR_i where this exceeds one constant: the flat bound a cell, `named`. In a complete table Q_ii is the
same for all cells, and it is the rule |u_i| / sqrt(Q_ii) > c.

The noise is not known. `noise unknown` is the same rule with the noise found from all the other scores: the largest
residual over the noise without it, which is a t with (P-1)(T-1) - 1 degrees of freedom where levels are fixed too. Among
rules that do not depend on the unit of the scale it is the best (from memory: Ferguson 1961, On the rejection of
outliers, 4th Berkeley Symposium 1:253-287).

All three have their alarm set to exactly 5 % of clean panels by simulation, on scores that are neither rounded nor
clipped. `flags` is what labkit says on scores in half points from 0 to 10, all kinds of flags counted as alarm. The
sign of a slip leads away from the nearer end of the scale as the pour and the tester are, not as the score itself fell
out: that would choose slips that noise undoes in part (of 3.2 points .34 are found then, with 8 pours).

With 8 testers, s = .8, v_T = 1 and a spread between pours of 1.5 (20,000 panels for the bounds, 600 for the
flags, first seed 50001):

    pours  slip  [sd of noise]   any  named  noise unknown  flags   alarm of the flags
        8   3.2            4.0  0.60   0.56           0.46   0.42      0.048
        8   4.0            5.0  0.86   0.85           0.77   0.72      0.048
        8   4.8            6.0  0.98   0.97           0.94   0.93      0.048
        8   6.8            8.5  1.00   1.00           1.00   0.99      0.048
        6   3.2            4.0  0.59   0.56           0.45   0.43      0.047
        6   4.0            5.0  0.87   0.85           0.75   0.73      0.047
        6   4.8            6.0  0.97   0.97           0.92   0.91      0.047
        6   6.8            8.5  1.00   1.00           1.00   0.99      0.047
        4   3.2            4.0  0.61   0.56           0.38   0.34      0.047
        4   4.0            5.0  0.85   0.83           0.66   0.60      0.047
        4   4.8            6.0  0.97   0.96           0.86   0.81      0.047
        4   6.8            8.5  1.00   1.00           1.00   0.96      0.047

What is missing to `noise unknown` is mostly what half points add to the noise (.8 becomes .81) and clipped scores.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys

import numpy as np
import pandas as pd
from scipy.special import logsumexp

from labkit.attributes import Attribute
from labkit.panel.flags import ODD, oddities_of
from labkit.panel.scored import Scored

TESTERS, NOISE, LEVELS, SPREAD, ALARM = 8, 0.8, 1.0, 1.5, 0.05
SIZES = (3.2, 4.0, 4.8, 6.8)           # 4, 5 and 6 sd of the noise; 4 sd of a tester's scores, sqrt(1.5^2 + .8^2)


def residual_maker(pours: int, level: float) -> np.ndarray:
    """V^-1 - V^-1 X (X' V^-1 X)^- X' V^-1, V = s^2 I + v_T Z Z', X the pours and, where the level is 0, testers."""
    pour, tester = np.divmod(np.arange(pours * TESTERS), TESTERS)
    inverse = np.linalg.inv(NOISE**2 * np.eye(len(pour)) + level**2 * (tester[:, None] == tester))
    x = np.hstack([np.eye(pours)[pour], *([] if level else [np.eye(TESTERS)[tester]])])
    return inverse - inverse @ x @ np.linalg.pinv(x.T @ inverse @ x) @ x.T @ inverse


def drawn(maker: np.ndarray, panels: int, rng: np.random.Generator) -> np.ndarray:
    """u = Qy of clean panels, (panels, m): N(0, Q)."""
    values, vectors = np.linalg.eigh(maker)
    return rng.normal(size=(panels, len(maker))) @ (vectors * np.sqrt(np.maximum(values, 0))).T


def known(pours: int, size: float, panels: int, rng: np.random.Generator) -> tuple[float, float]:
    """Bounds with the noise known: how often some slip is seen, and how often the cell is named."""
    maker = residual_maker(pours, LEVELS)
    clean, slipped = (drawn(maker, panels, rng) for _ in range(2))
    slipped = slipped + size * maker[0]
    ratios = [np.logaddexp(size * u, -size * u) - size**2 * np.diag(maker) / 2 for u in (clean, slipped)]
    any_, best = ([reduce(r) for r in ratios] for reduce in (lambda r: logsumexp(r, axis=1), lambda r: r.max(axis=1)))
    named = (best[1] > np.quantile(best[0], 1 - ALARM)) & (ratios[1].argmax(axis=1) == 0)
    return float(np.mean(any_[1] > np.quantile(any_[0], 1 - ALARM))), float(named.mean())


def unknown(pours: int, size: float, panels: int, rng: np.random.Generator) -> float:
    """How often the largest residual over the noise without it names the cell."""
    maker = residual_maker(pours, 0.0)
    df, diagonal = (pours - 1) * (TESTERS - 1), np.diag(maker)

    def ratios(u):                                      # of one cell's square to the others', a rising function of t^2
        own = u**2 / diagonal
        return own / (NOISE**2 * np.sum(u**2, axis=1, keepdims=True) - own) * (df - 1)

    clean, slipped = ratios(drawn(maker, panels, rng)), ratios(drawn(maker, panels, rng) + size * maker[0])
    limit = np.quantile(clean.max(axis=1), 1 - ALARM)
    return float(np.mean((slipped.max(axis=1) > limit) & (slipped.argmax(axis=1) == 0)))


def flags_of(scores: np.ndarray) -> pd.DataFrame:
    """What labkit flags in a table of scores, rounded to half points and kept to the scale."""
    rounded = np.clip(np.round(2 * scores) / 2, 0, 10)
    rows = [(f"X-{p:02d}", f"T{t:02d}", "1", "", "payoff", rounded[p, t]) for p, t in np.ndindex(*rounded.shape)]
    frame = pd.DataFrame(rows, columns=["pour", "tester", "session", "position", "attribute", "score"])
    return oddities_of(Scored.of(frame, attribute=Attribute(name="payoff"), pours=sorted(set(frame["pour"])),
                                 stated={"tester": LEVELS, "tester_pour": NOISE}, prior="weak"), attributes=1).flags


def flagged(pours: int, panels: int, first: int) -> tuple[float, list[float]]:
    """Alarm on clean panels, all flags together; and how often a slip of each size is named."""
    alarm, found = 0, np.zeros(len(SIZES))
    for seed in range(first, first + panels):
        rng = np.random.default_rng([seed, pours])
        middle = rng.normal(5, SPREAD, pours)[:, None] + rng.normal(0, LEVELS, TESTERS)
        scores = middle + rng.normal(0, NOISE, middle.shape)
        at = rng.integers(pours), rng.integers(TESTERS)
        alarm += len(flags_of(scores)) > 0
        for k, size in enumerate(SIZES):
            slipped = scores.copy()
            slipped[at] += size if middle[at] < 5 else -size
            flags = flags_of(slipped)
            found[k] += ((flags["kind"] == ODD) & (flags["pour"] == f"X-{at[0]:02d}")
                         & (flags["tester"] == f"T{at[1]:02d}")).any()
    return alarm / panels, list(found / panels)


def main(panels: int = 600, first: int = 1) -> None:
    rng = np.random.default_rng(first)
    print("pours  slip  [sd of noise]   any  named  noise unknown  flags   alarm of the flags")
    for pours in (8, 6, 4):
        alarm, ours = flagged(pours, panels, first)
        for size, found in zip(SIZES, ours, strict=True):
            any_, named = known(pours, size, 20_000, rng)
            print(f"{pours:5d}  {size:4.1f}  {size / NOISE:13.1f}  {any_:4.2f}  {named:5.2f}  "
                  f"{unknown(pours, size, 20_000, rng):13.2f}  {found:5.2f}  {alarm:9.3f}", flush=True)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:3]))
