import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")      # small matrices: threads only cost time
os.environ.setdefault("MPLBACKEND", "Agg")

import pathlib
import shutil

import pytest
from definitions import STICK
from hypothesis import settings

settings.register_profile("bench", deadline=None, derandomize=True)
settings.load_profile("bench")

ROOT = pathlib.Path(__file__).resolve().parent.parent
DEMO = ROOT / "trials" / "terracotta-stick"
JUDGED = '[attributes.payoff]\nends = ["no colour", "full colour"]\n[attributes.hardness]\nscale = [1, 5]\n'


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


@pytest.fixture
def planned(tmp_path):
    """A trial with one planned round of two pours in one melt."""
    from labkit.rounds import round_from_factors
    from labkit.store import append_round, read_trial
    folder = tmp_path / "stick"
    folder.mkdir()
    (folder / "trial.toml").write_text(STICK.replace(" & <tint>", "") + JUDGED)
    trial = read_trial(folder)
    points = trial.region.corners().iloc[[0, 1]]
    append_round(folder, round_from_factors(trial.recipe, trial.batch, number=1, melts=["M01", "M01"],
                                            pours=["P01", "P02"], coordinates=points))
    return folder


@pytest.fixture
def poured(planned):
    """The same with its melt and both pours recorded as planned."""
    from labkit.store import append_melts, append_pours, read_trial
    trial = read_trial(planned)
    grams = trial.plan.groupby("melt")[[f"{i} [g]" for i in trial.recipe.pot]].sum().reset_index()
    append_melts(planned, grams)
    made = trial.plan[["pour", "melt", "red paste [g]", "pour_temperature"]]
    append_pours(planned, made.assign(**{"base [g]": 20 - made["red paste [g]"], "outcome": "ok"}))
    return planned
