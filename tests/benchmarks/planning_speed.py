"""How long planning takes on one core: processor seconds, the best of three. python tests/benchmarks/planning_speed.py"""

import pathlib
import sys
import time

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent))

from definitions import TERRACOTTA  # noqa: E402

import labkit  # noqa: E402

PARTS = [f"p{k}" for k in range(1, 7)]
SIX_PARTS = (
    '[product]\nname = "Six parts"\n[formula]\n'
    + "".join(f'"{name}" = {share}\n' for name, share in zip(PARTS, (20, 16, 16, 16, 16, 16)))
    + f"[blends.base]\nparts = {PARTS}\nlow = {[0.05] * 6}\nhigh = {[0.4] * 6}\n[attributes.strength]\n"
)


def seconds(call):
    """Processor seconds of the fastest of three calls."""
    taken = []
    for _ in range(3):
        start = time.process_time()
        call()
        taken.append(time.process_time() - start)
    return min(taken)


def after_twelve():
    """4 factors, three rounds of 4 pours in 2 melts."""
    trial = labkit.Trial.from_toml(TERRACOTTA)
    for seed in range(3):
        round_ = labkit.plan_round(trial, pours=4, melts=2, seed=seed)
        trial = trial.with_round(round_).with_pours(round_.as_poured())
    return trial


def main():
    trial, six = after_twelve(), labkit.Trial.from_toml(SIX_PARTS)
    cases = {
        "6 pours in 3 melts after 12, I": lambda: labkit.plan_round(trial, pours=6, melts=3),
        "6 pours in 3 melts after 12, D": lambda: labkit.plan_round(trial, pours=6, melts=3, criterion="D"),
        "the usual round, its size proposed": lambda: labkit.plan_round(trial),
        "21 terms, 26 pours, D, flat": lambda: labkit.plan_round(six, pours=26, criterion="D", prior="flat"),
    }
    for name, call in cases.items():
        taken = seconds(call)
        print(f"{name}: {taken:.2f} s{'' if taken <= 1 else '  (over 1 s)'}")


if __name__ == "__main__":
    main()
