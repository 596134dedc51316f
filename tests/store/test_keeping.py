"""A printable sheet beside the tables: where it lies, that it is made anew, and which names are refused."""
import pytest

from labkit.errors import StoreError
from labkit.store.keeping import keep_sheet


def test_a_sheet_lies_in_its_folder_and_is_made_anew(tmp_path):
    first = keep_sheet(tmp_path, "round-4", "<p>one</p>")
    assert first == str(tmp_path / "sheets" / "round-4.html")
    assert keep_sheet(str(tmp_path), "round-4", "<p>zwölf °C</p>") == first
    assert (tmp_path / "sheets" / "round-4.html").read_text(encoding="utf-8") == "<p>zwölf °C</p>"
    assert [path.name for path in (tmp_path / "sheets").iterdir()] == ["round-4.html"]


@pytest.mark.parametrize("name", ["", "../round-4", "a/b", ".hidden"])
def test_a_name_that_leads_elsewhere_is_refused(tmp_path, name):
    with pytest.raises(StoreError) as caught:
        keep_sheet(tmp_path, name, "x")
    assert str(caught.value) == (f"a sheet cannot be named {name!r}. Give a file name without a folder, such as "
                                 "'round-4'.")
    assert list(tmp_path.iterdir()) == []


def test_all_ballots_at_once_are_not_a_sheet(tmp_path):
    with pytest.raises(StoreError) as caught:
        keep_sheet(tmp_path, "ballots", {"ballot-1-T01": "<p>one</p>"})
    assert str(caught.value) == ("the sheet is of type dict. Give one page, such as bench_sheet or ballot_book returned.")
    assert list(tmp_path.iterdir()) == []


def test_a_file_in_the_place_of_the_folder_is_one_sentence(tmp_path):
    (tmp_path / "sheets").write_text("x")
    with pytest.raises(StoreError) as caught:
        keep_sheet(tmp_path, "round-4", "x")
    assert str(caught.value) == (f"nothing can be written in {tmp_path}: file exists. Nothing was changed; allow "
                                 "writing there, or work on a copy of the trial.")
