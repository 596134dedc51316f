"""Printable sheets beside the tables of a trial; a sheet is made anew whenever it is asked for."""

import os

from labkit.checks import check_type
from labkit.errors import StoreError
from labkit.store.files import folder_of, folder_refused, replace_file
from labkit.store.tables import read_bytes

SHEETS = "sheets"


def keep_sheet(folder: str | os.PathLike, name: str, page: str) -> str:
    """Write a sheet (a whole HTML page) to `sheets/<name>.html` in the trial's folder and return its path."""
    if not isinstance(name, str) or not name or name != os.path.basename(name) or name.startswith("."):
        raise StoreError(f"a sheet cannot be named {name!r}. Give a file name without a folder, such as 'round-4'.")
    check_type(page, str, name="the sheet", error=StoreError,
               advice="Give one page, such as bench_sheet or ballot_book returned.")
    place = os.path.join(folder_of(folder), SHEETS)
    try:
        os.makedirs(place, exist_ok=True)
    except OSError as error:
        raise StoreError(folder_refused(os.fspath(folder), error)) from None
    path = os.path.join(place, f"{name}.html")
    replace_file(path, page.encode("utf-8"), before=read_bytes(path) if os.path.exists(path) else None)
    return path
