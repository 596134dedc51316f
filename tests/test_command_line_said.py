"""What the command line says of what it did: a sheet that could not be kept, a folder with blanks in its name."""
import shlex

from labkit.__main__ import main


def test_a_sheet_that_cannot_be_kept_does_not_hide_that_the_round_is(demo_copy, capsys):
    (demo_copy / "sheets").write_text("a file in its place")
    rows = len((demo_copy / "plan.csv").read_text().splitlines())
    command = ["next", str(demo_copy), "--pours", "1", "--melts", "1", "--keep"]
    assert main(command) == 2
    assert capsys.readouterr().err == (
        f"labkit: round 4 is in plan.csv, but its bench sheet is not kept: nothing can be written in {demo_copy}: file "
        "exists. Mend that, and ask again with --keep.\n")
    assert len((demo_copy / "plan.csv").read_text().splitlines()) == rows + 1
    (demo_copy / "sheets").unlink()
    assert main(command) == 0
    assert (demo_copy / "sheets" / "round-4.html").exists()
    assert len((demo_copy / "plan.csv").read_text().splitlines()) == rows + 1


def test_a_folder_with_blanks_in_its_name_is_told_as_it_is_typed(tmp_path, capsys):
    assert main(["new", str(tmp_path / "my first stick")]) == 0
    told = capsys.readouterr().out.rstrip().rpartition("labkit ")[2]
    assert main(shlex.split(told)) == 0
