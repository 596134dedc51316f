"""The command line: what it prints, what it returns, and that a mistake is one sentence on stderr and exit code 2."""
import os
import re
import subprocess
import sys

import pytest
from definitions import HAZEL

import labkit
from labkit.__main__ import main

NEXT_PARTS = ["The panel", "The surfaces", "Pour next", "The formula it would settle on today", "Advice", "Cautions"]


def words(text):
    """The text without its line ends."""
    return " ".join(text.split())


def run(*arguments, **options):
    return subprocess.run([sys.executable, "-m", "labkit", *map(str, arguments)], text=True, capture_output=True,
                          **options)


class TestNext:
    def test_prints_the_parts_in_their_order_at_100_columns(self, demo_folder, capsys):
        assert main(["next", str(demo_folder)]) == 0
        shown = capsys.readouterr().out
        heads = re.findall(r"^(.+)\n-+$", shown, re.M)
        assert [head.split(" (")[0].replace("If you go on", "Pour next") for head in heads] == NEXT_PARTS
        assert max(map(len, shown.splitlines())) <= 100
        assert "Hot wax" in shown and "Do not breathe" in shown.replace("do not", "Do not")
        assert shown.splitlines()[-1] == "The notebooks open with: .venv/bin/jupyter lab notebooks"

    def test_the_panel_is_two_lines_and_every_surface_one(self, demo, demo_folder, capsys):
        main(["next", str(demo_folder)])
        shown = capsys.readouterr().out
        assert all(re.search(rf"^{name}: ", shown, re.M) for name in demo.attributes)

    def test_grams_of_the_next_round_add_up_to_the_pour(self, demo, demo_folder, capsys):
        main(["next", str(demo_folder)])
        shown = capsys.readouterr().out
        table = shown.split("Pour, in this order\n")[1]
        rows = [line.split() for line in table.splitlines()[1:5]]
        assert [row[1] for row in rows] == demo.next_pours(4)
        weighed = 1 + len(demo.recipe.stirred)
        assert [sum(map(float, row[3:3 + weighed])) for row in rows] == pytest.approx([demo.batch.pour_g] * 4)

    def test_says_the_same_twice_and_writes_nothing(self, demo_copy):
        before = {path: path.read_bytes() for path in demo_copy.iterdir()}
        first, second = run("next", demo_copy), run("next", demo_copy)
        assert first.returncode == 0 and first.stdout == second.stdout and first.stderr == ""
        assert {path: path.read_bytes() for path in demo_copy.iterdir()} == before

    def test_keep_adds_the_round_and_its_sheet_then_shows_it_as_planned(self, demo_copy, capsys):
        from labkit.store import read_trial
        number = read_trial(demo_copy).next_round
        assert main(["next", str(demo_copy), "--keep"]) == 0
        assert (read_trial(demo_copy).plan["round"] == number).sum() == 4
        page = (demo_copy / "sheets" / f"round-{number}.html").read_text(encoding="utf-8")
        assert f"round {number}" in page
        capsys.readouterr()
        assert main(["next", str(demo_copy)]) == 0
        assert f"Planned, and not poured yet (round {number}: 4 pours in 2 melts)" in capsys.readouterr().out

    def test_without_scores_it_plans_the_round_that_teaches_most(self, tmp_path, capsys):
        main(["new", str(tmp_path / "first")])
        capsys.readouterr()
        assert main(["next", str(tmp_path / "first"), "--pours", "3", "--melts", "3"]) == 0
        shown = capsys.readouterr().out
        assert "nothing is poured yet" in shown and "Pour next (round 1: 3 pours in 3 melts)" in shown

    def test_a_reader_that_leaves_early_is_no_error(self, demo_folder):
        command = f"{sys.executable} -m labkit next {demo_folder} | head -1; exit ${{PIPESTATUS[0]}}"
        shown = subprocess.run(["bash", "-c", command], text=True, capture_output=True)
        assert (shown.returncode, shown.stderr) == (0, "") and shown.stdout.count("\n") == 1

    def test_a_terminal_that_knows_ascii_only_is_served_too(self, demo_folder):
        shown = run("next", demo_folder, env=os.environ | {"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"})
        assert shown.returncode == 0 and shown.stderr == ""


class TestCheck:
    def test_a_good_trial(self, demo_folder, capsys):
        assert main(["check", str(demo_folder)]) == 0
        shown = capsys.readouterr().out
        assert words(shown).startswith(
            f"{demo_folder} can be read. Terracotta stick: 12 pours (1 failed) in 3 rounds, ")
        assert "6 ingredients" in shown

    def test_a_score_off_the_scale_is_named_by_its_row(self, demo_copy, capsys):
        path = demo_copy / "scores.csv"
        lines = path.read_text().splitlines()
        column = lines[0].split(",").index("score")
        cells = lines[3].split(",")
        cells[column] = "11"
        path.write_text("\n".join([*lines[:3], ",".join(cells), *lines[4:]]) + "\n")
        assert main(["check", str(demo_copy)]) == 2
        shown = capsys.readouterr()
        assert shown.out == "" and re.fullmatch(
            r"labkit: scores\.csv row 4: \w+ is 11; scores run from 0 to 10\. Leave the cell empty if it was not "
            r"judged\.\n", shown.err)


class TestRehearse:
    def test_answers_how_many_evenings_it_will_take(self, demo_folder, capsys):
        assert main(["rehearse", str(demo_folder), "--rounds", "1", "--times", "2", "--pours", "2", "--melts", "2"]) == 0
        shown = capsys.readouterr()
        assert shown.err == "" and shown.out.startswith("Terracotta stick: 12 pours (1 failed) in 3 rounds, ")
        told = words(shown.out)
        assert "How many evenings will this take?" in told
        assert "Terracotta stick, 2 rehearsals of 1 more evening (2 pours in 2 melts, 6 testers)" in told
        assert re.search(r"^ +1 +8\.00 ", shown.out, re.M)             # 5 for the evening, 1 a melt, 0.5 a pour
        assert max(map(len, shown.out.splitlines())) <= 100

    def test_on_a_terminal_it_says_how_far_it_is(self, demo_folder, capsys, monkeypatch):
        monkeypatch.setattr("labkit.rehearse_many", lambda *_, progress, **__: progress(1, 2) or progress(2, 2) or Told())
        monkeypatch.setattr("sys.stderr.isatty", lambda: True)
        assert main(["rehearse", str(demo_folder)]) == 0
        assert capsys.readouterr().err == "\r1 of 2 rehearsals\r2 of 2 rehearsals\n"


class Told:
    """A result without blocks."""

    @staticmethod
    def _report():
        from labkit.wording import report
        return report()


class TestNew:
    def test_lays_out_a_trial_that_can_be_read(self, tmp_path, capsys):
        folder = tmp_path / "mine"
        assert main(["new", str(folder)]) == 0
        assert words(capsys.readouterr().out) == (
            f"{folder} holds a commented trial.toml (My first stick) and 7 empty tables. "
            f"Write your own formula and limits into trial.toml, then run: labkit check {folder}")
        assert main(["check", str(folder)]) == 0

    def test_a_folder_in_use_is_left_alone(self, demo_copy, capsys):
        before = {path: path.read_bytes() for path in demo_copy.iterdir()}
        assert main(["new", str(demo_copy)]) == 2
        assert capsys.readouterr().err.startswith(f"labkit: the folder {demo_copy} is not empty: it holds ")
        assert {path: path.read_bytes() for path in demo_copy.iterdir()} == before


MISTAKES = {
    "no such folder": (["next", "nowhere"], "the trial folder nowhere does not exist. Check how it is spelled; "
                       "`labkit new` lays out a new one."),
    "pours in words": (["next", "any", "--pours", "four"],
                       "argument --pours: 'four' is not a whole number from 1 to 24. For help: labkit --help."),
    "too many rehearsals": (["rehearse", "any", "--times", "100"],
                            "argument --times: '100' is not a whole number from 1 to 99. For help: labkit --help."),
    "no pours": (["next", "any", "--pours", "0"],
                 "argument --pours: '0' is not a whole number from 1 to 24. For help: labkit --help."),
    "more melts than pours": (["next", "any", "--pours", "2", "--melts", "6"],
                              "--melts is 6, but there are 2 pours, and a melt serves one at least. Ask for 2 melts or fewer, "
                              "or for more pours."),
    "more melts than the usual pours": (["rehearse", "any", "--melts", "5"],
                                        "--melts is 5, but there are 4 pours (the usual number), and a melt serves one at "
                                        "least. Ask for 4 melts or fewer, or for more pours."),
    "no folder": (["check"], "the following arguments are required: TRIAL. For help: labkit --help."),
    "no command": ([], "the following arguments are required: COMMAND. For help: labkit --help."),
    "an unknown option": (["check", "any", "--fast"], "unrecognized arguments: --fast. For help: labkit --help."),
}


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_one_sentence_and_exit_code_2(name, capsys, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    arguments, sentence = MISTAKES[name]
    assert main(arguments) == 2
    shown = capsys.readouterr()
    assert shown.out == "" and shown.err == f"labkit: {sentence}\n"


@pytest.mark.parametrize("command", ["next", "rehearse"])
def test_melts_where_every_pour_has_its_own_pot(command, tmp_path, capsys):
    labkit.new_trial(tmp_path / "pot", HAZEL)
    assert main([command, str(tmp_path / "pot"), "--pours", "3", "--melts", "2"]) == 2
    assert capsys.readouterr().err == (
        "labkit: --melts is 2, but trial.toml has no [melt], so each of the 3 pours has its own pot. Leave --melts out, or "
        "name the pot's ingredients in [melt].\n")


def test_a_folder_that_is_no_trial_and_a_file_that_is_no_folder(tmp_path, capsys):
    (tmp_path / "note.txt").write_text("x")
    assert main(["check", str(tmp_path)]) == 2
    assert main(["check", str(tmp_path / "note.txt")]) == 2
    first, second = capsys.readouterr().err.splitlines()
    assert first == (f"labkit: {tmp_path} has no trial.toml, so it is not a trial. Name the folder of a trial; "
                     "`labkit new` lays out a new one.")
    assert second == (f"labkit: the trial folder {tmp_path / 'note.txt'} is a file, not a folder. Check how it is "
                      "spelled; `labkit new` lays out a new one.")


@pytest.mark.parametrize("text", ["", "[formula]\n", "formula = 3\n", "not toml at all", "\x00", "[formula]\na = 1e999\n"])
def test_whatever_trial_toml_holds_there_is_no_traceback(text, tmp_path, capsys):
    (tmp_path / "trial.toml").write_text(text)
    assert main(["next", str(tmp_path)]) == 2
    shown = capsys.readouterr()
    assert shown.out == "" and shown.err.startswith("labkit: ") and shown.err.count("\n") == 1


def test_help_and_version_are_no_mistakes():
    assert run("--version").stdout.startswith("labkit ")
    shown = run("--help")
    assert shown.returncode == 0 and all(name in shown.stdout for name in ("next", "check", "rehearse", "new"))
