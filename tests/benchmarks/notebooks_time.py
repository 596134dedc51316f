"""How long does each notebook take from the top, with its kernel? Aimed at: under 20 s on the demo trial.

    python tests/benchmarks/notebooks_time.py

One after the other, on a machine that does nothing else.
"""

import time
from pathlib import Path

import nbclient
import nbformat

FOLDER = Path(__file__).parents[2] / "notebooks"

for path in sorted(FOLDER.glob("*.ipynb")):
    started = time.perf_counter()
    client = nbclient.NotebookClient(nbformat.read(path, as_version=4), timeout=120, kernel_name="python3",
                                     resources={"metadata": {"path": str(FOLDER)}})
    client.execute()
    print(f"{path.stem:22} {time.perf_counter() - started:5.1f} s")
