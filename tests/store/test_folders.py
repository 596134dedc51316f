"""A trial as a folder: its files, the rights to write in it, others who write meanwhile, and a disk that fails."""
import multiprocessing
import os
import pathlib
import tempfile

import pandas as pd
import pytest
from store.conftest import STICK, first_round, refused, score, snapshot

import labkit
from labkit.errors import LabkitError, StoreError
from labkit.store import files, reading


class TestFolders:
    def test_a_trial_in_place_of_its_folder(self, scored):
        text = ("the place on disk is of type Trial. Give the path of a trial's folder, such as "
                "trials/terracotta-stick.")
        trial = labkit.read_trial(scored)
        for verb, args in [(labkit.append_scores, (score(),)), (labkit.read_trial, ()), (labkit.new_trial, ())]:
            with pytest.raises(StoreError) as caught:
                verb(trial, *args)
            assert str(caught.value) == text

    def test_a_folder_that_does_not_exist(self, tmp_path):
        text = f"the trial folder {tmp_path}/none does not exist. Check how it is spelled; `labkit new` lays out a new one."
        for verb, args in [(labkit.read_trial, ()), (labkit.append_scores, (score(),))]:
            assert refused(StoreError, verb, tmp_path / "none", *args) == text
        assert not (tmp_path / "none").exists()

    def test_a_file_in_place_of_a_folder(self, scored):
        assert refused(StoreError, labkit.read_trial, scored / "trial.toml") == (
            f"the trial folder {scored}/trial.toml is a file, not a folder. Check how it is spelled; "
            "`labkit new` lays out a new one.")

    def test_a_folder_without_a_definition(self, tmp_path):
        assert refused(StoreError, labkit.read_trial, str(tmp_path)) == (
            f"{tmp_path} has no trial.toml, so it is not a trial. Name the folder of a trial; "
            "`labkit new` lays out a new one.")

    def test_a_definition_with_a_slip(self, begun):
        (begun / "trial.toml").write_text(STICK.replace("pour_g = 20.0", "pour_g 20.0"))
        assert refused(LabkitError, labkit.read_trial, begun) == (
            "trial.toml cannot be read: Expected '=' after a key in a key/value pair (at line 6, column 8). "
            "Mend that line: text in double quotes, numbers as 0.5.")

    def test_a_definition_as_editors_save_it(self, begun):
        path = begun / "trial.toml"
        path.write_bytes(b"\xef\xbb\xbf" + STICK.replace("\n", "\r\n").encode())
        assert labkit.read_trial(begun).name == "Terracotta stick"
        path.write_bytes(STICK.replace("Terracotta", "\u00c9t\u00e9").encode("cp1252"))
        assert refused(StoreError, labkit.read_trial, begun) == (
            "trial.toml line 3 holds the byte 0xc9, which is no UTF-8 text. Save the file again as UTF-8.")

    @pytest.mark.parametrize("name", ["score.csv", "Scores.csv", "scores.xlsx", "scores.txt"])
    def test_a_table_under_a_slightly_wrong_name(self, scored, name):
        os.rename(scored / "scores.csv", scored / name)
        assert refused(StoreError, labkit.read_trial, scored) == (
            f"{scored} has no scores.csv, but a file {name}. Save it as scores.csv, or give it another name.")

    def test_other_files_beside_the_tables(self, scored):
        (scored / "scores.xlsx").write_bytes(b"PK")
        (scored / "prices.csv").write_text("anything")
        (scored / "readings.csv").unlink()
        labkit.read_trial(scored)

    def test_nothing_is_left_behind(self, scored):
        assert sorted(snapshot(scored)) == sorted(["trial.toml", *(f"{t}.csv" for t in labkit.read_trial(scored).tables)])

    def test_what_dead_writers_left_is_swept(self, scored):
        (scored / ".scores.csv.0123456789abcdef.tmp").write_text("half a fi")
        (scored / "writing.lock.0123456789abcdef.tmp").write_text("{")
        os.utime(scored / "writing.lock.0123456789abcdef.tmp", (1, 1))
        (scored / "writing.lock.fedcba9876543210.tmp").write_text("{")
        labkit.append_scores(scored, score())
        assert [name for name in snapshot(scored) if name.endswith(".tmp")] == ["writing.lock.fedcba9876543210.tmp"]


@pytest.fixture
def open_folder():
    """A trial in a folder that another user could reach, so that a test may give up the rights of root."""
    with tempfile.TemporaryDirectory() as path:
        os.chmod(path, 0o755)
        folder = pathlib.Path(path) / "stick"
        labkit.new_trial(folder, STICK)
        yield folder
        os.chmod(folder, 0o755)


@pytest.fixture
def no_root():
    """Root may write anywhere; for one test it becomes the user nobody."""
    if os.name != "posix" or os.geteuid():
        yield
        return
    os.seteuid(65534)
    yield
    os.seteuid(0)


@pytest.mark.skipif(os.name != "posix", reason="rights are those of POSIX")
class TestReadOnly:
    def test_a_folder_that_may_not_be_written_in(self, open_folder, no_root):
        if os.geteuid() == os.stat(open_folder).st_uid:
            os.chmod(open_folder, 0o555)
        text = (f"nothing can be written in {open_folder}: permission denied. Nothing was changed; "
                "allow writing there, or work on a copy of the trial.")
        round_ = first_round(labkit.read_trial(open_folder))
        assert refused(StoreError, labkit.append_round, open_folder, round_) == text
        assert refused(StoreError, labkit.take_back, open_folder, tester="T01", reason="x") == text

    def test_a_file_that_its_owner_protects(self, open_folder, request):
        os.chmod(open_folder, 0o777)
        path = open_folder / "plan.csv"
        os.chmod(path, 0o444)
        round_ = first_round(labkit.read_trial(open_folder))
        request.getfixturevalue("no_root")
        assert refused(StoreError, labkit.append_round, open_folder, round_) == (
            f"{path} is protected against writing. Nothing was changed; allow writing to it, "
            "or work on a copy of the trial.")

    def test_rights_are_kept(self, begun):
        os.chmod(begun / "plan.csv", 0o640)
        labkit.append_round(begun, first_round(labkit.read_trial(begun)))
        assert os.stat(begun / "plan.csv").st_mode & 0o777 == 0o640

    def test_a_folder_that_may_not_be_read(self, scored, monkeypatch):
        monkeypatch.setattr(os, "access", lambda path, mode, **_: False)          # whoever runs the tests may read all
        assert refused(StoreError, labkit.read_trial, scored) == (
            f"the trial folder {scored} is protected against reading. Allow reading it, or work on a copy of the trial.")

    def test_a_link_stays_a_link(self, begun, tmp_path):
        os.rename(begun / "plan.csv", tmp_path / "elsewhere.csv")
        os.symlink(tmp_path / "elsewhere.csv", begun / "plan.csv")
        labkit.append_round(begun, first_round(labkit.read_trial(begun)))
        assert os.path.islink(begun / "plan.csv") and len(labkit.read_trial(begun).plan) == 4


class TestOthersMeanwhile:
    def test_a_table_that_is_open_in_a_spreadsheet(self, scored):
        (scored / ".~lock.scores.csv#").write_text(",maker,bench,04.05.2031 18:30,file:///home/maker;")
        assert refused(StoreError, labkit.append_scores, scored, score()) == (
            f"{scored}/scores.csv is open in a spreadsheet, which would overwrite what is added. "
            "Save and close it there; when it is not open, delete .~lock.scores.csv# in that folder.")
        labkit.set_aside(scored, tester="001", reason="cold")

    def test_a_table_that_is_a_link_may_be_open_where_it_leads(self, scored, tmp_path):
        place = tmp_path / "elsewhere"
        place.mkdir()
        (scored / "scores.csv").rename(place / "all.csv")
        (scored / "scores.csv").symlink_to(place / "all.csv")
        labkit.append_scores(scored, score(tester="T8"))
        (place / ".~lock.all.csv#").touch()
        assert refused(StoreError, labkit.append_scores, scored, score(tester="T9")) == (
            f"{scored}/scores.csv is open in a spreadsheet, which would overwrite what is added. Save and close it there; "
            f"when it is not open, delete .~lock.all.csv# in {place}.")

    def test_who_reads_while_another_writes_finds_what_every_row_names(self, poured, monkeypatch):
        """The tables are read from the last to the first: here a pour and its score appear after scores.csv was read."""
        read, pour = reading.read_bytes, pd.DataFrame({"pour": ["X-01"], "melt": ["M01"], "base [g]": [18.0]})

        def read_and_let_another_write(path):
            content = read(path)
            if os.path.basename(path) == "scores.csv":
                monkeypatch.setattr(reading, "read_bytes", read)
                labkit.append_pours(poured, pour)
                labkit.append_scores(poured, score(pour="X-01"))
            return content
        monkeypatch.setattr(reading, "read_bytes", read_and_let_another_write)
        trial = labkit.read_trial(poured)
        assert (len(trial.scores), len(trial.pours)) == (0, 5)
        assert len(labkit.read_trial(poured).scores) == 1

    def test_two_who_write_at_once_both_get_their_rows_in(self, poured):
        context = multiprocessing.get_context("spawn")
        writers = [context.Process(target=_append_some, args=(poured, name)) for name in ("A", "B")]
        for writer in writers:
            writer.start()
        for writer in writers:
            writer.join()
        testers = labkit.read_trial(poured).scores["tester"]
        assert sorted(testers) == sorted(f"{name}{k}" for name in "AB" for k in range(6))


def _append_some(folder, name):
    for k in range(6):
        labkit.append_scores(folder, score(tester=f"{name}{k}"), wait=60)


class TestTheDisk:
    def test_a_full_disk(self, scored, monkeypatch):
        def full(descriptor):
            raise OSError(28, "No space left on device")
        monkeypatch.setattr(files.os, "fsync", full)
        assert refused(StoreError, labkit.append_scores, scored, score()) == (
            f"{scored}/scores.csv could not be written: no space left on device. It is as it was; close it in "
            "other programs, look for room on the disk, and try again.")

    def test_a_file_that_a_spreadsheet_saves_meanwhile(self, scored, monkeypatch):
        path, write = scored / "scores.csv", files._write_whole
        theirs = path.read_bytes() + b"P01,T8,,,payoff,5,,\n"

        def meanwhile(*args, **kwargs):
            path.write_bytes(theirs)
            write(*args, **kwargs)
        monkeypatch.setattr(files, "_write_whole", meanwhile)
        with pytest.raises(StoreError) as caught:
            labkit.append_scores(scored, score())
        assert str(caught.value) == f"{path} was changed by another program in the meantime. Nothing was written; try again."
        assert path.read_bytes() == theirs
