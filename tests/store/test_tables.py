"""What spreadsheets write, read as text with the row numbers that they show."""
import csv
import io
import pathlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.errors import StoreError
from labkit.store import read_table
from labkit.store.tables import parse_table


def frame_of(content, file="scores.csv"):
    return parse_table(content if isinstance(content, bytes) else content.encode(), file=file).to_frame()


def refused(content, file="scores.csv"):
    with pytest.raises(StoreError) as caught:
        frame_of(content, file)
    return str(caught.value)


def rows_of(frame):
    return {number: list(cells) for number, cells in zip(frame.index, frame.to_numpy())}


class TestWhatASpreadsheetWrites:
    def test_ids_numbers_and_na_stay_text(self):
        frame = frame_of("pour,tester,score\nP01,001,7.0\nP02,NA,\nP03,1e3,nan\n")
        assert rows_of(frame) == {2: ["P01", "001", "7.0"], 3: ["P02", "NA", ""], 4: ["P03", "1e3", "nan"]}
        assert all(isinstance(cell, str) for cell in frame.to_numpy().ravel())

    @pytest.mark.parametrize("end", ["\n", "\r\n", "\r"], ids=["unix", "dos", "old"])
    @pytest.mark.parametrize("sign", [",", ";", "\t"], ids=["comma", "semicolon", "tab"])
    @pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
    def test_delimiters_line_ends_and_encodings(self, end, sign, encoding):
        lines = [["pour", "beurre de karité [g]", "note"], ["P01", '"7,5"', "“très” doux"], ["P02", "8", "½ spoon"]]
        text = end.join(sign.join(cells) for cells in lines)
        frame = frame_of(text.encode(encoding))
        assert list(frame.columns) == lines[0]
        assert rows_of(frame) == {2: ["P01", "7,5", "“très” doux"], 3: ["P02", "8", "½ spoon"]}

    def test_decimal_comma_between_semicolons_needs_no_quotes(self):
        assert rows_of(frame_of("pour;score\r\nP01;7,5\r\n")) == {2: ["P01", "7,5"]}

    def test_blank_rows_are_counted_and_dropped(self):
        frame = frame_of("\n ; ;\npour;score\n\n;;\nP01;7\n\nP02;8\n\n")
        assert rows_of(frame) == {6: ["P01", "7"], 8: ["P02", "8"]}

    def test_row_number_counts_rows_and_not_lines(self):
        assert list(frame_of('pour,note\nP01,"two\nlines"\nP02,x\n').index) == [2, 3]

    def test_padding_is_taken_away_from_names_and_cells(self):
        frame = frame_of(' pour , "red paste [g]" ,\u00a0note\nP01 ,\t1.20 , "a, b"\n'.replace('" ,', '",'))
        assert list(frame.columns) == ["pour", "red paste [g]", "note"]
        assert rows_of(frame) == {2: ["P01", "1.20", "a, b"]}

    def test_nameless_blank_columns_are_dropped(self):
        frame = frame_of("pour,,score,,\nP01,,7,,\nP02,,8,,,,\n")
        assert list(frame.columns) == ["pour", "score"]
        assert rows_of(frame) == {2: ["P01", "7"], 3: ["P02", "8"]}

    def test_blank_last_cells_may_lack_their_delimiters(self):
        frame = frame_of("pour,score,corrects,reason\nP01,7\nP02,8,2,typo\n")
        assert rows_of(frame) == {2: ["P01", "7", "", ""], 3: ["P02", "8", "2", "typo"]}

    def test_a_quotation_mark_inside_a_cell_is_a_sign_like_others(self):
        assert rows_of(frame_of('pour,note\nP01,he said "soft"\n')) == {2: ["P01", 'he said "soft"']}

    def test_delimiters_in_quoted_names_do_not_count(self):
        frame = frame_of('pour,"wax; soft; white [g]"\nP01,3\n')
        assert list(frame.columns) == ["pour", "wax; soft; white [g]"]

    @pytest.mark.parametrize("content", [b"", b"\xef\xbb\xbf", b"\n\n", b" \r\n;;\r\n"])
    def test_an_empty_file_is_an_empty_table(self, content):
        frame = frame_of(content)
        assert frame.shape == (0, 0)

    def test_a_header_alone_is_an_empty_table_with_columns(self):
        frame = frame_of("pour,score")
        assert frame.shape == (0, 2) and list(frame.columns) == ["pour", "score"]

    def test_index_is_named_row(self, tmp_path):
        path = tmp_path / "scores.csv"
        path.write_bytes(b"pour;score\nP01;7,5\n")
        assert read_table(path).index.name == "row"
        assert read_table(str(path)).equals(read_table(path))


class TestRefused:
    def test_double_names(self):
        assert refused("pour,score,pour ,score\n") == (
            "scores.csv row 1: columns 1 and 3 are all named 'pour'. Give each column a name of its own.")

    def test_a_cell_too_many(self):
        assert refused("pour,note\nP01,soft\nP02,soft,warm\n") == (
            "scores.csv row 3: cell 3 is 'warm', but the header has 2 columns. "
            "Put a cell that holds a comma in quotation marks.")

    @pytest.mark.parametrize("line", ["sep=;", "sep=,", "SEP=;", '"sep=;"', "sep=\t", "sep=;;;"])
    def test_a_line_that_tells_a_spreadsheet_how_cells_are_parted(self, line):
        assert refused(f"{line}\npour;tester;score\nP01;T01;7\n") == (
            f"scores.csv row 1: {line.strip()} tells a spreadsheet how cells are parted and names no column. Delete that "
            "line; the one below it is the header.")

    def test_a_column_may_be_called_so(self):
        assert parse_table(b"sep,pour\n1,P01\n", file="scores.csv").columns == ("sep", "pour")

    def test_a_cell_under_no_name(self):
        assert refused("pour;;score\n\nP01;x;7\n") == (
            "scores.csv row 3: cell 2 is 'x', but its column has no name. "
            "Name the column in the header, or clear the cell.")

    def test_a_row_that_breaks_off(self):
        assert refused("pour,tester,score,note\nP01,T01\n") == (
            "scores.csv row 2 breaks off after 2 cells: nothing stands for score and note. "
            "Complete the row; leave a cell empty where there is nothing to say.")

    def test_a_last_line_that_breaks_off_in_blank_columns(self):
        assert refused("pour,score,corrects,reason\nP01,7\nP02,8") == (
            "scores.csv row 3 breaks off after 2 cells: nothing stands for corrects and reason. "
            "Complete the row; leave a cell empty where there is nothing to say.")

    def test_a_whole_line_may_leave_out_the_cells_of_what_is_mostly_blank(self):
        assert parse_table(b"pour,score,corrects,reason\nP01,7\nP02,8\n", file="scores.csv").to_frame()["score"].tolist() == [
            "7", "8"]

    @pytest.mark.parametrize("header, sign", [(b"a;b,c", ";"), (b"a,b;c", ";"), (b"a\tb;c", "\t"), (b"a,b;c,d", ",")])
    def test_of_two_signs_alike_in_number_the_less_usual_one_parts_the_columns(self, header, sign):
        assert parse_table(header + b"\n", file="t.csv").delimiter == sign

    @pytest.mark.parametrize("cell", ['"open', '"soft" they said'])
    def test_quotation_marks_that_do_not_close(self, cell):
        assert refused(f"pour;note\nP01;x\n\nP02;{cell}\nP03;y\n") == (
            "scores.csv row 4: a quotation mark is opened and not closed before the next semicolon. "
            "Double a quotation mark that is meant.")

    def test_a_workbook(self):
        assert refused(b"PK\x03\x04\x14\x00", file="pours.csv") == (
            "pours.csv is a spreadsheet's own file, not a text table. Save it from the spreadsheet as CSV.")

    def test_a_byte_of_no_encoding(self):
        assert refused(b"pour,note\nP01,\x81\n") == (
            "scores.csv line 2 holds the byte 0x81, which is no Windows-1252 text. Save the table again as CSV in UTF-8.")
        assert refused(b"\xef\xbb\xbfpour,note\n\nP01,\xe9\n") == (
            "scores.csv line 3 holds the byte 0xe9, which is no UTF-8 text. Save the table again as CSV in UTF-8.")

    def test_a_zero_byte(self):
        assert refused(b"pour,note\nP01,x\n\x00\x00\x00") == (
            "scores.csv line 3 holds a zero byte, so it is not a text table. "
            "Take it back from a copy, or save the table again as CSV.")

    def test_no_file_and_a_folder(self, tmp_path):
        for path, text in [(tmp_path / "scores.csv", f"there is no file {tmp_path / 'scores.csv'}. Check how it is spelled."),
                           (tmp_path, f"{tmp_path} is a folder, not a table. Name the file in it.")]:
            with pytest.raises(StoreError) as caught:
                read_table(path)
            assert str(caught.value) == text

    def test_a_file_that_may_not_be_read(self, tmp_path, monkeypatch):
        def refuse(*args):
            raise PermissionError(13, "Permission denied")
        monkeypatch.setattr("builtins.open", refuse)
        with pytest.raises(StoreError) as caught:
            read_table(pathlib.PurePosixPath("trial/scores.csv"))
        assert str(caught.value) == ("trial/scores.csv cannot be read: permission denied. "
                                     "Check that it may be read and that its disk is there.")


CELL = st.text(st.characters(exclude_characters="\0\ufeff", exclude_categories=["Cs"]), max_size=12).map(str.strip)


@given(st.lists(st.lists(CELL, min_size=3, max_size=3), max_size=6), st.sampled_from(",;\t"),
       st.sampled_from(["\n", "\r\n"]), st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]))
def test_reads_what_the_standard_library_writes(rows, sign, end, encoding):
    """The reference is csv.writer with every cell quoted."""
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, delimiter=sign, lineterminator=end, quoting=csv.QUOTE_ALL)
    writer.writerows([["a", "b; c, d", "note"], *rows])
    frame = frame_of(buffer.getvalue().encode(encoding))
    assert rows_of(frame) == {number: row for number, row in enumerate(rows, start=2) if any(row)}


@given(st.binary(max_size=60))
def test_any_bytes_are_read_or_refused_in_a_sentence(content):
    try:
        frame_of(content)
    except StoreError as error:
        assert str(error).startswith("scores.csv ") and str(error).endswith(".")
