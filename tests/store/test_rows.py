"""New rows in the manner of the file that they join."""
import datetime

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.errors import StoreError
from labkit.store.rows import cell_of, content_with, decimal_sign, header_only
from labkit.store.tables import Table, parse_table


def joined(content, file="scores.csv", **columns):
    return content_with(parse_table(content, file=file), pd.DataFrame(columns))


class TestCells:
    @pytest.mark.parametrize("value, text", [
        (7.0, "7"), (7.5, "7.5"), (0.1 + 0.2, "0.30000000000000004"), (-0.0, "0"), (1e-7, "0.0000001"), (1e21, "1" + 21 * "0"),
        (np.float64(1.23), "1.23"), (3, "3"), (np.int64(3), "3"), (float("nan"), ""), (None, ""), (pd.NA, ""), (pd.NaT, ""),
        ("  001 ", "001"), ("NA", "NA"), ("\ufeffa", "a"), (datetime.date(2031, 5, 4), "2031-05-04"),
        (pd.Timestamp("2031-05-04"), "2031-05-04"), (datetime.datetime(2031, 5, 4, 18, 30), "2031-05-04 18:30")])
    def test_a_cell_is_text(self, value, text):
        assert cell_of(value) == text

    @given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from(".,"))
    def test_digits_read_back_as_the_same_number(self, value, decimal):
        assert float(cell_of(value, decimal=decimal).replace(",", ".")) == value


class TestOldBytesStay:
    @pytest.mark.parametrize("content, added", [
        (b"pour,score\nP01,7\n", b"P02,7.5\n"),
        (b"pour,score\nP01,7", b"\nP02,7.5\n"),
        (b"pour,score", b"\nP02,7.5\n"),
        (b"pour,score\r\nP01,7\r\n\r\n", b"P02,7.5\r\n"),
        (b"pour,score\r\nP01,7\r\n , ", b"\r\nP02,7.5\r\n"),
        (b"\xef\xbb\xbfscore;pour\r\n6,5;P01\r\n", b"7,5;P02\r\n"),
        (b"pour;score\n", b"P02;7,5\n"),
        (b"pour;score\nP01;6.5\n", b"P02;7.5\n"),
        (b'pour,score\nP01,"6,5"\n', b'P02,"7,5"\n'),
        (b"pour\tscore\rP01\t7\r", b"P02\t7.5\r"),
        (b"pour,,score,\nP01,,7,\n", b"P02,,7.5,\n"),
        ("pour;score;note\r\nP01;7;d\u00e9j\u00e0".encode("cp1252"), b"\r\nP02;7,5;\r\n"),
        ("\ufeffpour\tscore\nP01\t7\n".encode("utf-16-le"), "P02\t7.5\n".encode("utf-16-le")),
    ])
    def test_a_row_is_added_in_the_manner_of_the_file(self, content, added):
        assert joined(content, pour=["P02"], score=[7.5]) == content + added

    def test_signs_of_windows_1252_are_written_in_it(self):
        content = "pour;note\r\nP01;d\u00e9j\u00e0 vu\r\n".encode("cp1252")
        assert joined(content, pour=["P02"], note=["tr\u00e8s doux \u2013 \u201cbon\u201d"]) == (
            content + b"P02;tr\xe8s doux \x96 \x93bon\x94\r\n")

    def test_a_sign_that_the_encoding_lacks_is_refused(self):
        with pytest.raises(StoreError) as caught:
            joined("pour;note\nP01;d\u00e9j\u00e0\n".encode("cp1252"), pour=["P02"], note=["load \u2265 0.05"])
        assert str(caught.value) == ("scores.csv is written in Windows-1252, which has no '\u2265'. "
                                     "Save the table as CSV in UTF-8, or leave it out.")

    def test_half_a_sign_is_refused(self):
        with pytest.raises(StoreError) as caught:
            joined(b"pour,note\n", pour=["P02"], note=["\ud800"])
        assert str(caught.value) == ("scores.csv is written in UTF-8, which has no '\\ud800'. "
                                     "Save the table as CSV in UTF-8, or leave it out.")

    def test_cells_with_delimiters_quotes_and_lines(self):
        content = b"pour,note\n"
        assert joined(content, pour=["P02"], note=['a "b"; c,\r\nd']) == content + b'P02,"a ""b""; c,\r\nd"\n'

    def test_blank_columns_that_the_header_lacks_are_not_needed(self):
        content = b"pour,score\n"
        assert joined(content, pour=["P02"], score=[7.5], reason=[""]) == content + b"P02,7.5\n"

    def test_a_row_of_blanks_is_refused(self):
        with pytest.raises(StoreError) as caught:
            joined(b"pour,note\n", pour=[""], note=[""])
        assert str(caught.value) == ("scores.csv would not read back as it was meant. Nothing was written; save the table "
                                     "as CSV in UTF-8 and try again.")


class TestColumnsThatTheHeaderLacks:
    def test_names_go_to_the_end_and_old_cells_stay(self):
        content = b'\xef\xbb\xbf pour ;"score"\r\n\r\nP01;7,50\r\n;\r\nP02;"8"'
        assert joined(content, pour=["P02"], score=[9.5], corrects=["5"], reason=["typo; tired"]) == (
            b'\xef\xbb\xbf pour ;"score";corrects;reason\r\n\r\nP01;7,50;;\r\n;\r\nP02;"8";;\r\n'
            b'P02;9,5;5;"typo; tired"\r\n')

    def test_short_and_long_rows_keep_their_cells(self):
        content = b"pour,note\nP01\nP02,x,,\n"
        assert joined(content, pour=["P03"], note=["y"], reason=["z"]) == (
            b"pour,note,reason\nP01,,\nP02,x,,\nP03,y,z\n")

    def test_a_new_file_gets_all_columns(self):
        assert joined(b"", pour=["P01"], score=[7.5], reason=[""]) == b"pour,score,reason\nP01,7.5,\n"
        assert joined(b"\n", pour=["P01"]) == b"\npour\nP01\n"
        assert header_only(["pour", "red paste [g]"], file="pours.csv") == b"pour,red paste [g]\n"

    def test_a_new_file_with_other_letters_says_that_it_is_utf_8(self):
        assert header_only(["beurre de karit\u00e9 [g]"], file="pours.csv") == (
            b"\xef\xbb\xbfbeurre de karit\xc3\xa9 [g]\n")


@pytest.mark.parametrize("content, sign", [(b"a,b\n", "."), (b"a;b\n", ","), (b"a\tb\n", "."), (b"a;b\n1.5;2\n", "."),
                                           (b"a;b\n1.5;2,5\n3,5;1\n", ","), (b"a\tb\n,5\t\n", ","), (b"", "."),
                                           (b"a;b\n1.5;2.5\n3,5;1\n", ".")])
def test_decimal_sign_of_most_numbers(content, sign):
    assert decimal_sign(parse_table(content, file="t.csv"), ["a", "b", "c"]) == sign


CELL = st.text(st.characters(exclude_characters="\0\ufeff", exclude_categories=["Cs"]), max_size=12).map(str.strip)
ROWS = st.lists(st.tuples(CELL.filter(bool), CELL), min_size=1, max_size=4)
HEADS = st.sampled_from([b"", b"pour;note\r\n", b"\xef\xbb\xbfpour,note,score\n", b"note\tpour", b"pour,x\nP,\"a\n;b\"\n",
                         "pour;note\nP;\u00e9\n".encode("utf-16")])


@given(HEADS, ROWS, ROWS)
def test_whatever_is_said_reads_back_and_the_old_bytes_are_a_prefix(content, first, second):
    before = parse_table(content, file="t.csv").to_frame().reindex(columns=["pour", "note"], fill_value="")
    once = content_with(parse_table(content, file="t.csv"), pd.DataFrame(first, columns=["pour", "note"]))
    twice = content_with(parse_table(once, file="t.csv"), pd.DataFrame(second, columns=["pour", "note"]))
    found = parse_table(twice, file="t.csv").to_frame().reindex(columns=["pour", "note"], fill_value="")
    assert [tuple(row) for row in found.to_numpy()] == [*map(tuple, before.to_numpy()), *first, *second]
    for old, new in ((content, once), (once, twice)):
        lacking = bool(old) and b"note" not in old.replace(b"\0", b"")
        assert lacking or new.startswith(old)


def test_an_empty_table_has_no_columns():
    assert Table(file="scores.csv").columns == () and Table(file="scores.csv").line_end == "\n"
