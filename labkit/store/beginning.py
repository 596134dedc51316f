"""A new trial's folder: a commented trial.toml and empty tables."""

import os
from importlib import resources

from labkit.errors import StoreError
from labkit.store.files import path_of, reason_of, replace_file
from labkit.store.reading import DEFINITION, file_of
from labkit.store.rows import header_only
from labkit.trial import Trial


def new_trial(folder: str | os.PathLike, toml_text: str | None = None) -> Trial:
    """Lay out a trial in a new or an empty folder; without a text, trial.toml is an example with comments."""
    text = first_definition() if toml_text is None else toml_text
    trial = Trial.from_toml(text)
    path = _empty_folder(folder)
    for name, frame in trial.tables.items():
        content = header_only([str(column) for column in frame.columns], file=file_of(name))
        replace_file(os.path.join(path, file_of(name)), content, before=None)
    replace_file(os.path.join(path, DEFINITION), text.encode(), before=None)
    return trial


def first_definition() -> str:
    """The commented trial.toml of a new trial."""
    return resources.files("labkit.store").joinpath("new_trial.toml").read_text(encoding="utf-8")


def _empty_folder(folder: str | os.PathLike) -> str:
    path = path_of(folder)
    try:
        os.makedirs(path, exist_ok=True)
        found = sorted(os.listdir(path))
    except FileExistsError:
        raise StoreError(f"{path} is a file. Name a new folder for the trial.") from None
    except OSError as error:
        raise StoreError(f"the folder {path} cannot be made: {reason_of(error)}. Name another place.") from None
    if found:
        raise StoreError(f"the folder {path} is not empty: it holds {found[0]}. Name a new folder for the trial.")
    return path
