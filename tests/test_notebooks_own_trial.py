"""The notebooks on a trial of one's own: run to the end, they write nothing into it but a round that one keeps."""
import json
import pathlib
import shutil

import pytest
from definitions import TINT
from invented import poured, scored
from test_notebooks import FOLDER, NAMES, ROOT, code_of, fingerprint, read

from labkit.errors import PlanError
from labkit.store.appending import append_frame

LINE = "folder = demo"


@pytest.fixture(autouse=True)
def closed():
    yield
    import matplotlib.pyplot as plt
    plt.close("all")


@pytest.fixture
def own(tmp_path):
    """The worst case, a trial in which everything that is invented for the demo would fit."""
    return pathlib.Path(shutil.copytree(ROOT / "trials" / "terracotta-stick", tmp_path / "my-stick"))


def run_all(name, folder, monkeypatch, renamed=(), **changed):
    """Every code cell in a row, with one line and some names changed; the refusal that ended it, if any."""
    import matplotlib
    matplotlib.use("Agg")
    monkeypatch.chdir(FOLDER)
    cells = [source.replace(LINE, f"folder = {str(folder)!r}") for source in code_of(name)]
    for old, new in dict(renamed).items():
        cells = [source.replace(old, new) for source in cells]
    for old, new in changed.items():
        cells = [source.replace(f"{old} = folder == demo", f"{old} = {new}") for source in cells]
    names = {}
    try:
        for source in cells:
            exec(source, names)
    except SystemExit as refusal:
        return names, str(refusal)
    return names, ""


@pytest.mark.parametrize("name", NAMES)
class TestOwnTrial:
    def test_one_line_names_the_folder_and_one_the_demo(self, name):
        code = "\n".join(code_of(name))
        assert code.count(LINE) == 1 and code.count("terracotta-stick") == 1
        assert '`folder = "../trials/my-stick"`' in "".join(cell.source for cell in read(name).cells[:2])

    def test_it_says_that_observations_are_of_the_demo(self, name):
        """ "Here two have to be heated" stood over a round in three melts, "the upper right corner is missing" nowhere."""
        told = "".join(cell.source for cell in read(name).cells[:2])
        assert "is said of the demo's" in told or "Everything else works on `demo`" in told

    def test_nothing_is_written_into_it(self, name, own, monkeypatch):
        before = fingerprint(own)
        run_all(name, own, monkeypatch)
        assert fingerprint(own) == before


def test_a_round_that_one_keeps_is_kept_and_nothing_else(own, monkeypatch):
    before = fingerprint(own)
    run_all("1_plan_a_round", own, monkeypatch, keep="True")
    after = fingerprint(own)
    assert [path.name for path in after if after[path] != before.get(path)] == ["plan.csv", "round-4.html"]
    with pytest.raises(PlanError, match="^round 4 is in plan.csv, and none of its pours .P13, P14, P15 and P16. is recorded"):
        run_all("1_plan_a_round", own, monkeypatch, keep="True")
    assert fingerprint(own) == after


def test_the_last_notebook_stops_before_it_invents(own, monkeypatch):
    names, refusal = run_all("5_settle_and_confirm", own, monkeypatch)
    assert refusal == ("What follows is invented, for the demo alone. Pour the round of your trial, and record it.")
    assert "said" not in names and set(names["trial"].plan["round"]) == {1, 2, 3}


ONE_FACTOR = {'along=("red_share", "load")': 'along="load"', 'along=("wax", "load")': 'along="load"', '"wax"': '"load"',
              'hold={"pour_temperature": 74}': "hold={}", '"payoff"': '"stain"', '"shade"': '"slip"',
              '"hardness"': '"stain"', '"T03"': '"T01"'}


@pytest.mark.parametrize("name", [name for name in NAMES if name[0] != "2"])
def test_a_trial_of_one_factor_without_a_pot_runs_to_the_end(name, tmp_path, monkeypatch):
    """As the notebooks say: the names of another trial, and nothing else. (2 is about the demo; its forms take any.)"""
    trial = scored(poured(TINT, rounds=2), lambda c: 6 + c[:, [0, 0]] * [2.5, -3.0], testers=2)
    folder = tmp_path / "tint"
    folder.mkdir()
    (folder / "trial.toml").write_text(TINT, encoding="utf-8")
    for table in ("plan", "pours", "scores"):
        append_frame(folder, table, trial.tables[table], wait=1)
    before = fingerprint(folder)
    _, refusal = run_all(name, folder, monkeypatch, renamed=ONE_FACTOR)
    assert refusal == ("" if name[0] != "5" else "What follows is invented, for the demo alone. Pour the round of your "
                       "trial, and record it.")
    assert fingerprint(folder) == before


def test_what_is_invented_never_names_the_folder():
    for name in NAMES:
        for source in code_of(name):
            wrote = [word for word in ("append_pours", "append_scores", "append_servings", "append_readings",
                                       "correct_", "set_aside(", "take_back") if word in source]
            assert not wrote or "folder" not in source, source


def test_they_stay_plain_files_that_diff_well():
    for name in NAMES:
        text = (FOLDER / f"{name}.ipynb").read_text(encoding="utf-8")
        assert json.dumps(json.loads(text), indent=1, ensure_ascii=False) + "\n" == text
