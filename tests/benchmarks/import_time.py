"""`import labkit` beside `import pandas`, and `labkit next` on the demo as a whole process: medians of whole processes.

    python tests/benchmarks/import_time.py
"""
import pathlib
import statistics
import subprocess
import sys
import time

ROOT = pathlib.Path(__file__).resolve().parents[2]
COMMANDS = {
    "python": ["-c", ""],
    "import pandas": ["-c", "import pandas"],
    "import labkit": ["-c", "import labkit"],
    "import labkit, read the demo": ["-c", "import labkit; labkit.read_trial('trials/terracotta-stick')"],
    "labkit next on the demo": ["-m", "labkit", "next", "trials/terracotta-stick"],
}


def seconds(arguments, times=7):
    """Median of whole processes, after one that fills the caches."""
    taken = []
    for _ in range(times + 1):
        start = time.perf_counter()
        subprocess.run([sys.executable, *arguments], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
        taken.append(time.perf_counter() - start)
    return statistics.median(taken[1:])


if __name__ == "__main__":
    for name, arguments in COMMANDS.items():
        print(f"{name:32s} {seconds(arguments):6.2f} s")
