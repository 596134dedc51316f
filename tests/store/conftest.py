"""A trial on disk after one round: two melts, four pours, three testers, two attributes (invented numbers)."""
import pathlib
import shutil

import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA
from store.forms import servings

import labkit
from labkit.rounds import round_from_factors

STICK, POT = "\n" + TERRACOTTA[:TERRACOTTA.index("[attributes.sheerness]")], HAZEL
POINTS = pd.DataFrame({"wax": [0.12, 0.12, 0.20, 0.20], "red_share": [0.3, 0.7, 0.3, 0.7],
                       "load": [0.03, 0.06, 0.06, 0.03], "pour_temperature": [70.0, 78.0, 78.0, 70.0]})


def first_round(trial):
    """Four pours in two melts."""
    return round_from_factors(trial.recipe, trial.batch, number=trial.next_round, coordinates=POINTS,
                              melts=[m for m in trial.next_melts(2) for _ in range(2)], pours=trial.next_pours(4))


def melts_of(round_):
    """Melts as planned, with an allowance of a tenth."""
    sheet = round_.melt_sheet().drop(columns="pours")
    return sheet.assign(**{c: (sheet[c] * 1.1).round(2) for c in sheet if c != "melt"}, date="2031-05-04")


def pours_of(round_):
    """Pours as planned, the base drawn from the melt."""
    return round_.pour_sheet().drop(columns="order")


def scores_of(pours, testers=("001", "NA", "T03"), attributes=("payoff", "hardness")):
    """Scores in half steps, each from its place in the table."""
    rows = [(p, t, "1", str(k + 1), a) for k, p in enumerate(pours) for t in testers for a in attributes]
    frame = pd.DataFrame(rows, columns=["pour", "tester", "session", "position", "attribute"])
    return frame.assign(score=[(7 * k % 15) / 2 + 1 for k in range(len(frame))])


def snapshot(folder):
    """Every file with its bytes."""
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def refused(error, verb, *args, **kwargs):
    """The text of a refusal after which every file is as it was."""
    folder = pathlib.Path(args[0])
    before = snapshot(folder) if folder.is_dir() else None
    with pytest.raises(error) as caught:
        verb(*args, **kwargs)
    assert before is None or snapshot(folder) == before
    return str(caught.value)


def score(pour="P01", tester="T9", attribute="payoff", value=7.0, **more):
    return pd.DataFrame([{"pour": pour, "tester": tester, "attribute": attribute, "score": value, **more}])


@pytest.fixture(scope="session")
def stages(tmp_path_factory):
    """The same trial at three stages, made once."""
    place = tmp_path_factory.mktemp("stages")
    folder = place / "begun"
    round_ = first_round(labkit.new_trial(folder, STICK))
    shutil.copytree(folder, place / "poured")
    labkit.append_round(place / "poured", round_)
    labkit.append_melts(place / "poured", melts_of(round_))
    labkit.append_pours(place / "poured", pours_of(round_))
    shutil.copytree(place / "poured", place / "scored")
    labkit.append_scores(place / "scored", scores_of(["P01", "P02", "P03", "P04"]))
    return place


@pytest.fixture
def begun(stages, tmp_path):
    """A trial with tables that only have headers."""
    return pathlib.Path(shutil.copytree(stages / "begun", tmp_path / "stick"))


@pytest.fixture
def poured(stages, tmp_path):
    """A trial with one round poured and not scored."""
    return pathlib.Path(shutil.copytree(stages / "poured", tmp_path / "stick"))


@pytest.fixture
def scored(stages, tmp_path):
    """A trial with one round poured and scored."""
    return pathlib.Path(shutil.copytree(stages / "scored", tmp_path / "stick"))


@pytest.fixture(scope="module")
def served(stages):
    """A trial with one round poured and served."""
    return labkit.read_trial(stages / "poured").with_servings(servings())


@pytest.fixture
def read(served, tmp_path):
    """Write a text or a frame to form.csv and read it."""
    def reading(table, trial=served, **stated):
        path = tmp_path / "form.csv"
        if isinstance(table, pd.DataFrame):
            table.to_csv(path, index=False)
        else:
            path.write_text(table, encoding="utf-8")
        return labkit.read_scores(path, trial, **stated)
    return reading
