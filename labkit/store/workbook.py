"""A sheet of an .xlsx workbook as rows of text, by way of the same checks as a CSV file. Needs openpyxl."""

import csv
import datetime
import io
import os
import zipfile
from collections.abc import Iterable, Sequence

import pandas as pd

from labkit.errors import StoreError
from labkit.store.tables import parse_table, read_bytes
from labkit.wording import words_joined

WORKBOOKS = (".xlsx", ".xlsm")


def read_workbook(
    path: str | os.PathLike, *, sheet: str = "", drop: Sequence[str] = ()
) -> tuple[pd.DataFrame, str, list[str]]:
    """The text cells of one sheet (the first where none is named), index and columns as of `read_table`.

    Also the name of the sheet, and where none was asked for those of others that hold something. drop : columns that
    are passed over.
    """
    name = os.path.basename(path)
    book, formulas = (_book(path, values=values) for values in (True, False))
    titles = [each.title for each in book.worksheets]
    if sheet and sheet not in titles:
        raise StoreError(f"{name} has no sheet {sheet!r}. Choose {words_joined(map(repr, titles), last='or')}.")
    title = sheet or titles[0]
    rows = [[_text(cell) for cell in row] for row in book[title].iter_rows(min_row=1, values_only=True)]
    for row in formulas[title].iter_rows(min_row=1):
        for cell in row:
            if cell.data_type == "f" and rows[cell.row - 1][cell.column - 1] == "":
                raise StoreError(f"{name} cell {cell.coordinate} holds a formula that was never worked out. "
                                 "Open the file in a spreadsheet and save it again.")
    _check_merged(name, rows, formulas[title].merged_cells.ranges, drop)
    others = [each.title for each in book.worksheets if each.title != title and not sheet and _holds_something(each)]
    return parse_table(_as_csv(rows), file=name).to_frame(), title, others


def _check_merged(name: str, rows: list[list[str]], ranges: Iterable, drop: Sequence[str]) -> None:
    """Of merged cells the first holds what is shown over all of them: the others would be read as blank."""
    head = next((k for k, row in enumerate(rows) if any(cell.strip() for cell in row)), 0)
    for each in sorted(ranges, key=lambda r: (r.min_row, r.min_col)):
        said = rows[each.min_row - 1][each.min_col - 1]
        columns = rows[head][each.min_col - 1:each.max_col]
        if not said.strip() or all(column.strip() in drop for column in columns):
            continue
        advice = ("Unmerge them, and let the first row hold the names of the columns" if each.min_row - 1 == head else
                  "Unmerge them, and write into each what it is to say")
        raise StoreError(f"{name} cells {each.coord} are merged, and only the first of them holds {said!r}. {advice}.")


def _holds_something(sheet) -> bool:
    return any(cell is not None for row in sheet.iter_rows(values_only=True) for cell in row)


def _book(path: str | os.PathLike, *, values: bool):
    name = os.path.basename(path)
    try:
        import openpyxl
    except ImportError:
        raise StoreError(f"{name} is a workbook, and openpyxl, which reads it, is not installed. "
                         'Install "labkit[xlsx]", or save the sheet as CSV.') from None
    try:
        return openpyxl.load_workbook(io.BytesIO(read_bytes(path)), data_only=values)
    except (OSError, ValueError, KeyError, zipfile.BadZipFile):
        raise StoreError(f"{name} cannot be read as a workbook. Open it in a spreadsheet and save it again.") from None


def _text(cell: object) -> str:
    if cell is None:
        return ""
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() else repr(cell)
    if isinstance(cell, datetime.datetime) and cell.time() == datetime.time():
        return cell.date().isoformat()
    return str(cell)


def _as_csv(rows: list[list[str]]) -> bytes:
    """Without the blank cells at the right of all rows."""
    width = max((k + 1 for row in rows for k, cell in enumerate(row) if cell.strip()), default=0)
    text = io.StringIO()
    csv.writer(text, quoting=csv.QUOTE_ALL).writerows(row[:width] for row in rows)
    return text.getvalue().encode("utf-8")
