"""Kill writers of a trial and look at what they leave: `python tests/store/killing.py KILLS [SEED]` (POSIX).

A writer appends one score after another and acknowledges each on a pipe. It is killed (SIGKILL) at a random moment, or,
in the second part, before each single call by which it touches the disk. After every kill the trial must read, the file
must begin with what it held before, every acknowledged row must be there once, and the next writer must get the
lock of the dead one without waiting.
"""
import builtins
import json
import os
import pathlib
import random
import signal
import sys
import tempfile
import time

os.environ["OPENBLAS_NUM_THREADS"] = "1"
sys.path[:0] = [str(pathlib.Path(__file__).resolve().parents[2]), str(pathlib.Path(__file__).resolve().parents[1])]

import pandas as pd  # noqa: E402
from store.conftest import STICK, first_round, melts_of, pours_of  # noqa: E402

import labkit  # noqa: E402
from labkit.store.lock import LOCK  # noqa: E402

DISK_CALLS = ("open", "link", "unlink", "fsync", "replace")


def poured_trial(folder):
    trial = labkit.new_trial(folder, STICK)
    round_ = first_round(trial)
    labkit.append_round(folder, round_)
    labkit.append_melts(folder, melts_of(round_))
    labkit.append_pours(folder, pours_of(round_))


def one_score(number):
    return pd.DataFrame([{"pour": "P01", "tester": f"K{number:06d}", "attribute": "payoff", "score": number % 21 / 2}])


def write_on(folder, first, pipe):
    """Append scores from number `first` on, without end, each acknowledged after it was appended."""
    for number in range(first, first + 1000):
        labkit.append_scores(folder, one_score(number), wait=0)
        os.write(pipe, f"{number}\n".encode())


def die_before_call(count):
    """Make this process kill itself before its `count`-th call that touches the disk."""
    left = [count]

    def counted(call):
        def wrapper(*args, **kwargs):
            left[0] -= 1
            if left[0] == 0:
                os.kill(os.getpid(), signal.SIGKILL)
            return call(*args, **kwargs)
        return wrapper
    for name in DISK_CALLS:
        setattr(os, name, counted(getattr(os, name)))
    builtins.open = counted(builtins.open)


def forked(action):
    """Run `action(pipe)` in a child; the child's number and the end of the pipe to read from."""
    end, pipe = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(end)
        try:
            action(pipe)
        finally:
            os._exit(0)
    os.close(pipe)
    return child, end


def buried(child, end):
    """Wait for a child; the numbers that it acknowledged, and whether it was killed."""
    _, status = os.waitpid(child, 0)
    with os.fdopen(end) as acknowledged:
        return [int(line) for line in acknowledged], os.WIFSIGNALED(status)


class Witness:
    """What was on disk before, and what has been acknowledged so far."""

    def __init__(self, folder):
        self.folder, self.path = folder, folder / "scores.csv"
        self.before, self.acknowledged, self.locks = self.path.read_bytes(), [], 0

    def look(self, numbers):
        self.acknowledged += numbers
        self.locks += (self.folder / LOCK).exists()
        content = self.path.read_bytes()
        assert content.startswith(self.before), "old rows have changed"
        assert content.endswith(b"\n"), "the last row is not whole"
        self.before = content
        testers = labkit.read_trial(self.folder).scores["tester"].tolist()
        assert len(set(testers)) == len(testers), "a row stands twice"
        lost = {f"K{number:06d}" for number in self.acknowledged} - set(testers)
        assert not lost, f"lost: {sorted(lost)}"
        return len(testers)


def at_random(folder, kills, rng):
    """Kill writers at random moments."""
    witness, rows = Witness(folder), 0
    for turn in range(kills):
        child, end = forked(lambda pipe, first=1000 * turn: write_on(folder, first, pipe))
        time.sleep(rng.uniform(0.0, 0.25))
        os.kill(child, signal.SIGKILL)
        numbers, _ = buried(child, end)
        rows = witness.look(numbers)
    return {"kills": kills, "acknowledged": len(witness.acknowledged), "rows": rows, "locks_left": witness.locks}


def at_every_call(folder):
    """Kill a writer before its first, second, third ... call that touches the disk, until one lives to the end."""
    witness, count, killed, rows = Witness(folder), 0, True, 0
    while killed:
        count += 1

        def action(pipe, count=count):
            die_before_call(count)
            labkit.append_scores(folder, one_score(900000 + count), wait=0)
            os.write(pipe, f"{900000 + count}\n".encode())
        numbers, killed = buried(*forked(action))
        rows = witness.look(numbers)
    labkit.append_scores(folder, one_score(999999), wait=0)
    rows = witness.look([999999])
    left = [path.name for path in folder.iterdir() if path.name.endswith((".tmp", ".lock"))]
    return {"calls": count - 1, "rows": rows, "locks_left": witness.locks, "files_left": left}


def main(kills, seed=0):
    with tempfile.TemporaryDirectory() as place:
        folder = pathlib.Path(place) / "stick"
        poured_trial(folder)
        begin = time.monotonic()
        random_kills = at_random(folder, kills, random.Random(seed))
        found = {"at_random": random_kills, "at_every_call": at_every_call(folder), "seconds": time.monotonic() - begin}
    sys.stdout.write(json.dumps(found) + "\n")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
