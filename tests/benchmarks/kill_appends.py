"""A hundred SIGKILLs at random moments of appending: `python tests/benchmarks/kill_appends.py [KILLS] [SEED]`."""
import pathlib
import runpy
import sys

if __name__ == "__main__":
    sys.argv[1:] = sys.argv[1:] or ["100"]
    runpy.run_path(str(pathlib.Path(__file__).parents[1] / "store" / "killing.py"), run_name="__main__")
