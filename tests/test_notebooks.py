"""The notebooks run from the top in under 20 s each, change nothing, are stored without outputs, and stay prose."""
import hashlib
import pathlib
import re
import time

import nbformat
import pytest

ROOT = pathlib.Path(__file__).resolve().parent.parent
FOLDER = ROOT / "notebooks"
NAMES = ["1_plan_a_round", "2_record_pours_and_scores", "3_read_the_panel", "4_choose_the_next_tweak"]
LIMIT = 20.0              # seconds


def read(name):
    return nbformat.read(FOLDER / f"{name}.ipynb", as_version=4)


def code_of(name):
    return [cell.source for cell in read(name).cells if cell.cell_type == "code"]


def fingerprint(folder):
    return {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.rglob("*")) if path.is_file()}


def test_there_are_exactly_these():
    assert sorted(path.name for path in FOLDER.iterdir() if not path.name.startswith(".")) == [
        f"{name}.ipynb" for name in NAMES]


@pytest.mark.parametrize("name", NAMES)
class TestNotebook:
    def test_runs_from_the_top(self, name):
        import nbclient
        before = fingerprint(ROOT / "trials")
        started = time.perf_counter()
        client = nbclient.NotebookClient(read(name), timeout=60, kernel_name="python3",
                                         resources={"metadata": {"path": str(FOLDER)}})
        done = client.execute()
        assert time.perf_counter() - started < LIMIT
        assert fingerprint(ROOT / "trials") == before
        loud = [output for cell in done.cells for output in cell.get("outputs", []) if output.output_type == "stream"]
        assert loud == []

    def test_is_stored_without_outputs(self, name):
        notebook = read(name)
        nbformat.validate(notebook)
        assert all(not cell.outputs and cell.execution_count is None for cell in notebook.cells
                   if cell.cell_type == "code")

    def test_is_prose_with_little_code(self, name):
        cells = read(name).cells
        code = code_of(name)
        assert len(code) <= 12 and max(source.count("\n") + 1 for source in code) <= 5
        assert not any(re.search(r"^\s*(def|for|while|class|!|%)", source, re.M) for source in code)
        assert cells[0].cell_type == "markdown" and re.search(r"\*\*[^*]+\?\*\*", cells[0].source)

    def test_a_figure_is_followed_by_what_it_shows(self, name):
        cells = read(name).cells
        for cell, after in zip(cells, cells[1:]):
            if "draw_" in cell.source and cell.cell_type == "code":
                assert after.cell_type == "markdown" and not after.source.startswith("#")

    def test_diffs_show_sentences(self, name):
        lines = (FOLDER / f"{name}.ipynb").read_text(encoding="utf-8").splitlines()
        assert max(map(len, lines)) <= 170
