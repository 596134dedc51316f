"""New rows in the manner of a file: its encoding, delimiter, decimal sign and line ends; what stands stays.

The old bytes are a prefix of the new ones. Only where the header lacks a column that the new rows need is
the file written anew: the names go to the end of the header, the old rows get blank cells at their ends, and
every old cell keeps its bytes.
"""

import codecs
import datetime
import re
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import pandas as pd

from labkit.checks import is_blank
from labkit.errors import StoreError
from labkit.store.tables import DELIMITERS, ENCODINGS, MARKS, Row, Table, cell_text, parse_table

_COMMA, _POINT = re.compile(r"[+-]?\d*,\d+"), re.compile(r"[+-]?\d*\.\d+")


def content_with(table: Table, frame: pd.DataFrame) -> bytes:
    """The bytes of the file with the rows of `frame` at its end; a header gets columns that are needed."""
    decimal = decimal_sign(table, frame.select_dtypes("number").columns)
    columns = {name: [cell_of(value, decimal=decimal) for value in frame[name].tolist()] for name in frame}
    rows = [dict(zip(columns, cells, strict=True)) for cells in zip(*columns.values(), strict=True)]
    wider = _widened(table, [name for name, cells in columns.items() if not table.header or any(cells)])
    lines = [_line([row.get(name, "") for name in wider.columns], wider) for row in rows]
    content = _completed(wider) + _encoded("".join(lines), wider)
    _check_reads_back(wider, rows, content)
    return content


def header_only(columns: Sequence[str], *, file: str) -> bytes:
    """A new table without rows."""
    return _widened(Table(file=file), columns).content


def cell_of(value: object, *, decimal: str = ".") -> str:
    """A value as a cell: blank, unpadded text, a day, or the fewest digits that read back as the number."""
    if is_blank(value):
        return ""
    if isinstance(value, float | np.floating):
        return np.format_float_positional(value + 0.0, trim="-").replace(".", decimal)
    if isinstance(value, datetime.datetime):
        midnight = value.time() == datetime.time()
        return value.date().isoformat() if midnight else value.isoformat(sep=" ", timespec="minutes")
    return value.isoformat() if isinstance(value, datetime.date) else cell_text(str(value))


def decimal_sign(table: Table, numbers: Iterable[str]) -> str:
    """The decimal sign of most numbers in a file; where they do not tell, a comma goes with semicolons."""
    places = [table.columns.index(name) for name in numbers if name in table.columns]
    cells = [row.cells[place] for row in table.body for place in places if place < len(row.cells)]
    commas, points = (sum(sign.fullmatch(cell) is not None for cell in cells) for sign in (_COMMA, _POINT))
    if commas == points:
        return "," if table.delimiter == ";" else "."
    return "," if commas > points else "."


def _widened(table: Table, names: Sequence[str]) -> Table:
    """The table with the columns that it lacks at its right end."""
    lacking = [name for name in names if name not in table.columns]
    if not lacking:
        return table
    if table.header:
        text = "".join(_wider_text(row, lacking, table) for row in table.rows)
        return parse_table(_mark_of(table) + _encoded(text, table), file=table.file)
    line = _header(lacking, table) + table.line_end
    mark = b"" if table.content or line.isascii() else codecs.BOM_UTF8     # so that a spreadsheet sees UTF-8
    return parse_table(mark + _completed(table) + _encoded(line, table), file=table.file)


def _wider_text(row: Row, lacking: Sequence[str], table: Table) -> str:
    if row.is_blank:
        return row.text
    added = table.delimiter * (len(table.columns) + len(lacking) - len(row.cells))
    if row is table.header:
        added = table.delimiter + _header(lacking, table)
    return row.text.removesuffix(row.line_end) + added + row.line_end


def _line(cells: Iterable[str], table: Table) -> str:
    return table.delimiter.join(_quoted(cell, table.delimiter) for cell in cells) + table.line_end


def _header(names: Iterable[str], table: Table) -> str:
    """Names, those with any delimiter quoted: the delimiter of a file is read off its header."""
    return table.delimiter.join(_quoted(name, *DELIMITERS) for name in names)


def _quoted(cell: str, *signs: str) -> str:
    """RFC 4180, section 2; done here because csv.writer of Python 3.11 leaves a carriage return bare."""
    special = any(sign in cell for sign in (*signs, '"', "\r", "\n"))
    return '"' + cell.replace('"', '""') + '"' if special else cell


def _completed(table: Table) -> bytes:
    """The content, its last line ended."""
    ended = not table.rows or table.rows[-1].line_end
    return table.content + (b"" if ended else _encoded(table.line_end, table))


def _mark_of(table: Table) -> bytes:
    return next((mark for mark, _ in MARKS if table.content.startswith(mark)), b"")


def _encoded(text: str, table: Table) -> bytes:
    try:
        return text.encode(table.encoding)
    except UnicodeEncodeError as error:
        raise StoreError(f"{table.file} is written in {ENCODINGS[table.encoding]}, which has no "
                         f"{text[error.start]!r}. Save the table as CSV in UTF-8, or leave it out.") from None


def _check_reads_back(table: Table, rows: Sequence[Mapping[str, str]], content: bytes) -> None:
    """What was composed says what was there and what is new, cell by cell, before any of it is written."""
    meant = [dict(zip(table.columns, row.cells)) for row in table.body] + list(rows)
    found = parse_table(content, file=table.file).to_frame().to_dict("records")
    filled = [[{name: cell for name, cell in row.items() if cell} for row in side] for side in (meant, found)]
    if filled[0] != filled[1]:
        raise StoreError(f"{table.file} would not read back as it was meant. Nothing was written; save the "
                         "table as CSV in UTF-8 and try again.")
