"""A sheet of an .xlsx workbook as rows of text, by way of the same checks as a CSV file. Needs openpyxl."""

import csv
import datetime
import io
import os
import zipfile

import pandas as pd

from labkit.errors import StoreError
from labkit.store.tables import parse_table, read_bytes
from labkit.wording import words_joined

WORKBOOKS = (".xlsx", ".xlsm")


def read_workbook(path: str | os.PathLike, *, sheet: str = "") -> pd.DataFrame:
    """The text cells of one sheet (the first where none is named); index and columns as of `read_table`."""
    name = os.path.basename(path)
    book, formulas = (_book(path, values=values) for values in (True, False))
    if sheet and sheet not in book.sheetnames:
        choice = words_joined(map(repr, book.sheetnames), last="or")
        raise StoreError(f"{name} has no sheet {sheet!r}. Choose {choice}.")
    title = sheet or book.sheetnames[0]
    rows = [[_text(cell) for cell in row] for row in book[title].iter_rows(min_row=1, values_only=True)]
    for row in formulas[title].iter_rows(min_row=1):
        for cell in row:
            if cell.data_type == "f" and rows[cell.row - 1][cell.column - 1] == "":
                raise StoreError(f"{name} cell {cell.coordinate} holds a formula that was never worked out. "
                                 "Open the file in a spreadsheet and save it again.")
    return parse_table(_as_csv(rows), file=name).to_frame()


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
