"""A table as a spreadsheet writes it: bytes -> rows of text cells with the row numbers that it shows.

Nothing is guessed about types: `001` and `NA` stay text, `7,5` stays `7,5`; numbers are made in one place
only, `labkit.checks.parse_number`. Quoting follows RFC 4180 (Shafranovich 2005, section 2, rules 5 to 7); a
delimiter other than the comma, a byte order mark and Windows-1252 text are what spreadsheets write in many
countries.
"""

import codecs
import csv
import io
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass

import pandas as pd

from labkit.errors import StoreError
from labkit.store.commas import out_of_place
from labkit.wording import plural, words_joined

DELIMITERS = {"\t": "tab", ";": "semicolon", ",": "comma"}     # the first wins where a header has two alike
MARKS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))
ENCODINGS = {"utf-8": "UTF-8", "utf-16-le": "UTF-16", "utf-16-be": "UTF-16", "cp1252": "Windows-1252"}
MOSTLY_BLANK = ("outcome", "defects", "note", "corrects", "reason", "since", "unit", "repeat")
_HEADER = re.compile(r'(?:[^"\r\n]|"(?:[^"]|"")*+")*')         # up to the first line end outside quotes
_QUOTED = re.compile(r'"(?:[^"]|"")*+"')
_SEPARATOR = re.compile(r'"?sep=.?[;,\t]*"?[;,\t]*', re.IGNORECASE)       # what one spreadsheet writes over the header


@dataclass(frozen=True, kw_only=True)
class Row:
    """A row: the number that a spreadsheet shows, the text as it stands in the file, the cells unpadded."""

    number: int
    text: str
    cells: tuple[str, ...]

    @property
    def is_blank(self) -> bool:
        return not any(self.cells)

    @property
    def line_end(self) -> str:
        return next((end for end in ("\r\n", "\n", "\r") if self.text.endswith(end)), "")


@dataclass(frozen=True, kw_only=True)
class Table:
    """A table as it lies on disk: its bytes, how they are written, and its rows (blank ones too)."""

    file: str
    content: bytes = b""
    encoding: str = "utf-8"
    delimiter: str = ","
    rows: tuple[Row, ...] = ()
    header: Row | None = None

    @property
    def columns(self) -> tuple[str, ...]:
        """The names in the order of the file; the name of a nameless column is the empty text."""
        return self.header.cells if self.header else ()

    @property
    def body(self) -> tuple[Row, ...]:
        """The rows under the header that are not blank."""
        return tuple(row for row in self.rows if not row.is_blank and row is not self.header)

    @property
    def line_end(self) -> str:
        """The first line end in the file."""
        return next((row.line_end for row in self.rows if row.line_end), "\n")

    def to_frame(self) -> pd.DataFrame:
        """Text cells by column name; the index `row` is the row number that a spreadsheet shows."""
        named = [(place, name) for place, name in enumerate(self.columns) if name]
        cells = [[_cell(row.cells, place) for place, _ in named] for row in self.body]
        index = pd.Index([row.number for row in self.body], dtype=int, name="row")
        return pd.DataFrame(cells, index=index, columns=[name for _, name in named], dtype=object)


def read_table(path: str | os.PathLike) -> pd.DataFrame:
    """The text cells of a CSV file; the index `row` is the row number in a spreadsheet (the header is row 1).

    The delimiter (tab, semicolon or comma) is read off the header. A file may have a byte order mark, be
    UTF-8, UTF-16 or Windows-1252, and end its lines as any system does. Blank rows are counted and dropped,
    padding around names and cells is taken away, everything stays text.
    """
    return parse_table(read_bytes(path), file=os.path.basename(path)).to_frame()


def read_bytes(path: str | os.PathLike) -> bytes:
    """The content of a file, or one clear sentence."""
    try:
        with open(path, "rb") as handle:
            return handle.read()
    except FileNotFoundError:
        raise StoreError(f"there is no file {os.fspath(path)}. Check how it is spelled.") from None
    except IsADirectoryError:
        raise StoreError(f"{os.fspath(path)} is a folder, not a table. Name the file in it.") from None
    except OSError as error:
        raise StoreError(f"{os.fspath(path)} cannot be read: {(error.strerror or str(error)).lower()}. "
                         "Check that it may be read and that its disk is there.") from None


def parse_table(content: bytes, *, file: str) -> Table:
    """The table in `content`; `file` is its name in messages."""
    encoding, text = _decoded(content, file=file)
    delimiter = _delimiter_of(text)
    rows = tuple(_rows(text, delimiter=delimiter, file=file))
    table = Table(file=file, content=content, encoding=encoding, delimiter=delimiter, rows=rows,
                  header=next((row for row in rows if not row.is_blank), None))
    _check_header(table)
    _check_widths(table)
    return table


def cell_text(cell: str) -> str:
    """A cell without padding; a byte order mark is padding wherever it stands."""
    return cell.replace("\ufeff", "").strip()


def _cell(cells: tuple[str, ...], place: int) -> str:
    return cells[place] if place < len(cells) else ""


def _decoded(content: bytes, *, file: str) -> tuple[str, str]:
    """The encoding and the text: what the byte order mark says, else UTF-8, else Windows-1252."""
    if content.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        raise StoreError(f"{file} is a spreadsheet's own file, not a text table. "
                         "Save it from the spreadsheet as CSV.")
    mark, marked = next(((m, name) for m, name in MARKS if content.startswith(m)), (b"", ""))
    for encoding in [marked] if marked else ["utf-8", "cp1252"]:
        try:
            text = content[len(mark):].decode(encoding)
        except UnicodeDecodeError as error:
            fault = error
        else:
            return encoding, _without_nul(text, file=file)
    line = content[:len(mark) + fault.start].count(b"\n") + 1
    raise StoreError(f"{file} line {line} holds the byte 0x{fault.object[fault.start]:02x}, which is no "
                     f"{ENCODINGS[encoding]} text. Save the table again as CSV in UTF-8.")


def _without_nul(text: str, *, file: str) -> str:
    if "\0" in text:
        line = text[:text.index("\0")].count("\n") + 1
        raise StoreError(f"{file} line {line} holds a zero byte, so it is not a text table. "
                         "Take it back from a copy, or save the table again as CSV.")
    return text


def _delimiter_of(text: str) -> str:
    """The sign that the header has most of outside quotation marks; a comma when it has none."""
    header = _QUOTED.sub("", _HEADER.match(text.lstrip("\r\n \ufeff")).group())
    most = max(DELIMITERS, key=header.count)
    return most if most in header else ","


def _rows(text: str, *, delimiter: str, file: str) -> Iterator[Row]:
    """Rows with their numbers; a quoted cell may hold line ends, so one row may be several lines."""
    lines = list(io.StringIO(text, newline=""))
    reader = csv.reader(iter(lines), delimiter=delimiter, strict=True, skipinitialspace=True)
    number, begin = 0, 0
    try:
        for number, cells in enumerate(reader, start=1):
            raw = "".join(lines[begin:reader.line_num])
            yield Row(number=number, text=raw, cells=tuple(map(cell_text, cells)))
            begin = reader.line_num
    except csv.Error:
        raise StoreError(f"{file} row {number + 1}: a quotation mark is opened and not closed before the "
                         f"next {DELIMITERS[delimiter]}. Double a quotation mark that is meant.") from None


def _check_header(table: Table) -> None:
    if table.header and _SEPARATOR.fullmatch(said := table.header.text.strip()):
        raise StoreError(f"{table.file} row {table.header.number}: {said} tells a spreadsheet how cells are parted "
                         "and names no column. Delete that line; the one below it is the header.")
    names = [name for name in table.columns if name]
    double = [name for name in dict.fromkeys(names) if names.count(name) > 1]
    if double:
        places = [str(place) for place, name in enumerate(table.columns, start=1) if name == double[0]]
        raise StoreError(f"{table.file} row {table.header.number}: columns {words_joined(places)} are all "
                         f"named {double[0]!r}. Give each column a name of its own.")


def _check_widths(table: Table) -> None:
    """No cell without a column, no row that breaks off."""
    width, lengths = len(table.columns), [len(row.cells) for row in table.body]
    for row in table.body:
        sign = DELIMITERS[table.delimiter]
        if told := out_of_place(row.cells, table.columns, row.text, lengths=lengths, sign=sign):
            raise StoreError(f"{table.file} row {row.number} {told}")
        for place, cell in enumerate(row.cells):
            if cell and (place >= width or not table.columns[place]):
                raise StoreError(_stray_text(table, row, place))
        if len(row.cells) < width:
            _check_short(table, row)


def _stray_text(table: Table, row: Row, place: int) -> str:
    where = f"{table.file} row {row.number}: cell {place + 1} is {row.cells[place]!r}"
    if place >= len(table.columns):
        sign = DELIMITERS[table.delimiter]
        return (f"{where}, but the header has {plural(len(table.columns), 'column')}. "
                f"Put a cell that holds a {sign} in quotation marks.")
    return f"{where}, but its column has no name. Name the column in the header, or clear the cell."


def _check_short(table: Table, row: Row) -> None:
    """Some spreadsheets leave out the delimiters of blank last cells; a row that breaks off is refused."""
    lost = [name for name in table.columns[len(row.cells):] if name]
    broken = row is table.rows[-1] and not row.line_end
    if [name for name in lost if broken or name not in MOSTLY_BLANK]:
        raise StoreError(f"{table.file} row {row.number} breaks off after {plural(len(row.cells), 'cell')}: "
                         f"nothing stands for {words_joined(lost)}. Complete the row; leave a cell empty "
                         "where there is nothing to say.")
