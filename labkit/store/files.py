"""A file is replaced whole or not at all: a temporary file beside it, fsync, replace, fsync of the folder.

POSIX.1-2017, rename(): at every moment the name refers to the old file or to the new one, also after a
crash. The fsync before it makes the content last, the fsync after it makes the name last.
"""

import contextlib
import glob
import os
import secrets
import stat
import time

from labkit.checks import check_type
from labkit.errors import StoreError

_OLD = 60.0             # s after which something beside a lock was left by a writer that died


def path_of(place: str | os.PathLike) -> str:
    """A path as text."""
    check_type(place, str | os.PathLike, name="the place on disk", error=StoreError,
               advice="Give the path of a trial's folder, such as trials/terracotta-stick.")
    return os.fspath(place)


def folder_of(folder: str | os.PathLike) -> str:
    """The path of a folder that exists."""
    path = path_of(folder)
    if not os.path.isdir(path):
        found = "is a file, not a folder" if os.path.exists(path) else "does not exist"
        raise StoreError(f"the trial folder {path} {found}. Check how it is spelled; "
                         "`labkit new` lays out a new one.")
    if not os.access(path, os.R_OK | os.X_OK):
        raise StoreError(f"the trial folder {path} is protected against reading. Allow reading it, or work on a copy "
                         "of the trial.")
    return path


def folder_refused(folder: str, error: OSError) -> str:
    """The sentence for a folder in which nothing can be written."""
    return (f"nothing can be written in {folder}: {reason_of(error)}. Nothing was changed; "
            "allow writing there, or work on a copy of the trial.")


def reason_of(error: OSError) -> str:
    """What the system says, as a part of a sentence."""
    return (error.strerror or str(error)).lower()


def replace_file(path: str, content: bytes, *, before: bytes | None) -> None:
    """Put `content` in the place of a file that still holds `before` (None: of one that is not there yet)."""
    path = os.path.realpath(path)
    _check_writable(path)
    temporary = os.path.join(os.path.dirname(path), f".{os.path.basename(path)}.{secrets.token_hex(8)}.tmp")
    try:
        _write_whole(temporary, content, like=path)
        _check_unchanged(path, before)
        os.replace(temporary, path)
    except OSError as error:
        raise StoreError(f"{path} could not be written: {reason_of(error)}. It is as it was; close it in "
                         "other programs, look for room on the disk, and try again.") from None
    finally:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
    sync_folder(os.path.dirname(path))


def check_not_open(path: str) -> None:
    """Office suites mark what they have open with a file beside it; they would save over the rows that are added.

    Where the path is a link, the mark may be beside what it leads to.
    """
    for place in dict.fromkeys((path, os.path.realpath(path))):
        folder, file = os.path.split(place)
        mark = f".~lock.{file}#"
        if os.path.exists(os.path.join(folder, mark)):
            where = "that folder" if place == path else folder
            raise StoreError(
                f"{path} is open in a spreadsheet, which would overwrite what is added. Save and close it there; "
                f"when it is not open, delete {mark} in {where}."
            )


def sweep(folder: str) -> None:
    """Remove what writers that died have left beside the tables; only the holder of the lock calls this."""
    left = glob.glob(".*.csv.*.tmp", root_dir=folder, include_hidden=True)
    waiting = glob.glob("*.lock.*.tmp", root_dir=folder)
    for name in [*left, *(name for name in waiting if _is_old(os.path.join(folder, name)))]:
        with contextlib.suppress(OSError):
            os.unlink(os.path.join(folder, name))


def sync_folder(folder: str) -> None:
    """Make the names in a folder last; some systems cannot open a folder, and need not."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _is_old(path: str) -> bool:
    try:
        return time.time() - os.path.getmtime(path) > _OLD
    except OSError:
        return False


def _check_writable(path: str) -> None:
    """A file that its owner has protected stays as it is, though its folder would let us replace it."""
    effective = os.access in os.supports_effective_ids
    if os.path.exists(path) and not os.access(path, os.W_OK, effective_ids=effective):
        raise StoreError(f"{path} is protected against writing. Nothing was changed; allow writing to it, "
                         "or work on a copy of the trial.")


def _write_whole(temporary: str, content: bytes, *, like: str) -> None:
    with open(temporary, "xb") as handle:
        handle.write(content)
        handle.flush()
        os.fsync(handle.fileno())
    if os.path.exists(like):
        found = os.stat(like)
        with contextlib.suppress(OSError, AttributeError):      # only root may give away; some systems have no chown
            os.chown(temporary, found.st_uid, found.st_gid)
        os.chmod(temporary, stat.S_IMODE(found.st_mode))


def _check_unchanged(path: str, before: bytes | None) -> None:
    """A spreadsheet knows nothing of our lock: what it saved in the meantime is not lost."""
    try:
        with open(path, "rb") as handle:
            now = handle.read()
    except FileNotFoundError:
        now = None
    if now != before:
        raise StoreError(f"{path} was changed by another program in the meantime. "
                         "Nothing was written; try again.")
