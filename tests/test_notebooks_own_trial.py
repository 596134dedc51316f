"""The notebooks on a trial of one's own: run to the end, they write nothing into it but a round that one keeps."""
import json
import pathlib
import shutil

import pytest
from test_notebooks import FOLDER, NAMES, ROOT, code_of, fingerprint, read

LINE = "folder = demo"


@pytest.fixture
def own(tmp_path):
    """The worst case, a trial in which everything that is invented for the demo would fit."""
    return pathlib.Path(shutil.copytree(ROOT / "trials" / "terracotta-stick", tmp_path / "my-stick"))


def run_all(name, folder, monkeypatch, **changed):
    """Every code cell in a row, with one line changed; the refusal that ended it, if any."""
    import matplotlib
    matplotlib.use("Agg")
    monkeypatch.chdir(FOLDER)
    cells = [source.replace(LINE, f"folder = {str(folder)!r}") for source in code_of(name)]
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

    def test_nothing_is_written_into_it(self, name, own, monkeypatch):
        before = fingerprint(own)
        run_all(name, own, monkeypatch)
        assert fingerprint(own) == before


def test_a_round_that_one_keeps_is_kept_and_nothing_else(own, monkeypatch):
    before = fingerprint(own)
    run_all("1_plan_a_round", own, monkeypatch, keep="True")
    after = fingerprint(own)
    assert [path.name for path in after if after[path] != before.get(path)] == ["plan.csv", "round-4.html"]


def test_the_last_notebook_stops_before_it_invents(own, monkeypatch):
    names, refusal = run_all("5_settle_and_confirm", own, monkeypatch)
    assert refusal == ("What follows is invented, for the demo alone. Pour the round of your trial, and record it.")
    assert "said" not in names and set(names["trial"].plan["round"]) == {1, 2, 3}


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
