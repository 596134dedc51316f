"""Recompute the best of 2,000 starts that tests/core/test_exchange.py compares with: some minutes, run by hand."""

import pathlib
import sys

import numpy as np

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "core"))

from test_exchange import grid, split_plot  # noqa: E402

from labkit.core.exchange import improved, random_start, search  # noqa: E402

CASES = ((1, 2, 4, 3), (1, 3, 5, 4), (2, 2, 10, 2))  # factors in the pot, stirred in; melts, pours of each


def main():
    for pots, stirred, melts, size in CASES:
        task = split_plot(grid((-1, 0, 1), pots), grid((-1, 0, 1), stirred), np.repeat(np.arange(melts), size))
        rng = np.random.default_rng(99)
        best = min(improved(task, random_start(task, rng)).loss for _ in range(2000))
        ratio = np.exp((best - search(task).loss) / len(task.known))
        print(f"{pots} + {stirred} factors, {melts} melts of {size}: {best!r}; one search reaches {ratio:.5f} of it")


if __name__ == "__main__":
    main()
