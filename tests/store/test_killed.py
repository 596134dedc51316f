"""Writers that are killed lose no acknowledged row; `tests/benchmarks/kill_appends.py` does it a hundred times."""
import json
import os
import pathlib
import subprocess
import sys

import pytest

SCRIPT = pathlib.Path(__file__).with_name("killing.py")


@pytest.mark.skipif(not hasattr(os, "fork"), reason="the writers are forked")
def test_killed_writers_lose_nothing_that_was_acknowledged():
    done = subprocess.run([sys.executable, str(SCRIPT), "25"], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    random_kills, every_call = found["at_random"], found["at_every_call"]
    assert random_kills["kills"] == 25 and random_kills["locks_left"] > 0
    assert 0 <= random_kills["rows"] - random_kills["acknowledged"] <= 25       # written, killed before it could say so
    assert every_call["calls"] >= 15 and every_call["rows"] > random_kills["rows"]
    assert all(name.startswith("writing.lock.") and name.endswith(".tmp") for name in every_call["files_left"])
