import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")      # small matrices: threads only cost time
os.environ.setdefault("MPLBACKEND", "Agg")

import pathlib
import shutil

import pytest
from hypothesis import settings

settings.register_profile("bench", deadline=None, derandomize=True)
settings.load_profile("bench")

ROOT = pathlib.Path(__file__).resolve().parent.parent
DEMO = ROOT / "trials" / "terracotta-stick"


@pytest.fixture(scope="session")
def demo_folder():
    """The demo trial as it lies in the repository: read only."""
    return DEMO


@pytest.fixture
def demo_copy(tmp_path):
    """A copy of the demo trial that a test may write to."""
    return pathlib.Path(shutil.copytree(DEMO, tmp_path / DEMO.name))


@pytest.fixture(scope="session")
def demo():
    """The demo trial, read once."""
    import labkit
    return labkit.read_trial(DEMO)
