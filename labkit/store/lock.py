"""One writer at a time: a lock file in the folder says who writes, and a dead writer's lock is taken over.

The lock appears with its whole text or not at all: it is written beside its place and linked there, and a
hard link, like O_EXCL, is refused where the name exists. Readers need no lock. The text names process, start
time, boot and machine, so a process number that was given out again is not mistaken for the writer that
died. Taking over is done under `flock` on the folder, which the kernel itself releases when its holder dies:
of two who find the same dead lock, one removes it and the other looks again. Where a life cannot be judged
(another machine, a system without `/proc` and `ps`), a lock is respected and the message says which file to
delete.
"""

import contextlib
import errno
import json
import os
import platform
import secrets
import subprocess
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from types import ModuleType

from labkit.checks import check_share
from labkit.errors import StoreError
from labkit.store.files import folder_refused

LOCK = "writing.lock"
LONGEST_WAIT = 3600     # s
_PAUSE = 0.02           # s between two looks at another's lock
_NO_LINKS = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EACCES)


@dataclass(frozen=True, kw_only=True)
class Writer:
    """Who holds a lock: the process, its start as its system tells it, where it runs, since when it holds."""

    pid: int
    start: str
    host: str
    machine: str
    boot: str
    space: str
    since: str
    token: str

    @classmethod
    def from_here(cls) -> "Writer":
        """This process, with a token of its own for this one lock."""
        return cls(pid=os.getpid(), start=start_of(os.getpid()) or "", host=platform.node(),
                   machine=_line_of("/etc/machine-id"), boot=_line_of("/proc/sys/kernel/random/boot_id"),
                   space=_link_of("/proc/self/ns/pid"), since=time.strftime("%Y-%m-%d %H:%M:%S"),
                   token=secrets.token_hex(8))

    @classmethod
    def from_text(cls, text: str) -> "Writer | None":
        """The writer in a lock's text; None where it cannot be read."""
        try:
            writer = cls(**json.loads(text))
        except (ValueError, TypeError):
            return None
        return writer if isinstance(writer.pid, int) and writer.pid > 0 else None

    def as_text(self) -> str:
        return json.dumps(asdict(self), indent=1) + "\n"


@contextlib.contextmanager
def only_writer(folder: str, *, wait: float) -> Iterator[None]:
    """Hold the lock of `folder`; wait up to `wait` seconds for another writer, then say who it is."""
    path, mine = os.path.join(folder, LOCK), Writer.from_here()
    try:
        _wait_for(path, mine, wait=wait)
        yield
    finally:
        _release(path, mine)


def is_dead(writer: Writer) -> bool:
    """True when the writer certainly runs no more; what cannot be judged from here counts as alive."""
    here = Writer.from_here()
    if (writer.host, writer.machine) != (here.host, here.machine):
        return False
    if writer.boot and here.boot and writer.boot != here.boot:
        return True
    if writer.space != here.space:
        return False
    start = start_of(writer.pid)
    return start is None or bool(start and writer.start and start != writer.start)


def start_of(pid: int) -> str | None:
    """When a process started, as its system tells it; None: it does not run; "": that cannot be told."""
    if os.name != "posix":
        return ""                           # os.kill(pid, 0) would end the process there
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return None
    except (PermissionError, OverflowError):
        pass
    return _start_in_proc(pid) if os.path.exists("/proc/self/stat") else _start_from_ps(pid)


def _start_in_proc(pid: int) -> str | None:
    """proc(5), /proc/pid/stat: behind the name in brackets stand the state and, 22nd, the start [ticks]."""
    fields = _line_of(f"/proc/{pid}/stat").rpartition(")")[2].split()
    if len(fields) < 20:
        return ""
    return None if fields[0] in "ZX" else fields[19]


def _start_from_ps(pid: int) -> str:
    """The POSIX command `ps`, where there is no /proc."""
    try:
        shown = subprocess.run(["ps", "-o", "lstart=", "-p", str(pid)], capture_output=True, text=True,
                               timeout=5, env={**os.environ, "LC_ALL": "C"})
    except (OSError, subprocess.SubprocessError):
        return ""
    return shown.stdout.strip()


def _wait_for(path: str, mine: Writer, *, wait: float) -> None:
    check_share(wait, name="wait", error=StoreError, high=LONGEST_WAIT)
    until = time.monotonic() + wait
    while not _took(path, mine):
        if time.monotonic() >= until:
            raise StoreError(_held_text(path, wait))
        time.sleep(_PAUSE)


def _took(path: str, mine: Writer) -> bool:
    """True when the lock is ours: it was free, or its writer is dead and we are the one to take over."""
    if _created(path, mine):
        return True
    with _alone(os.path.dirname(path)) as alone:
        writer = _writer_at(path)
        if not alone or writer is None or not is_dead(writer):
            return False
        with contextlib.suppress(OSError):
            os.unlink(path)
        return _created(path, mine)


def _created(path: str, mine: Writer) -> bool:
    """True when the lock was free and is ours now."""
    if os.path.lexists(path):
        return False
    beside = f"{path}.{mine.token}.tmp"
    try:
        with open(beside, "x", encoding="utf-8") as handle:
            handle.write(mine.as_text())
        os.link(beside, path)
    except FileExistsError:
        return False
    except OSError as error:
        if error.errno in _NO_LINKS and os.path.exists(beside):
            return _created_without_links(path, mine)
        raise StoreError(folder_refused(os.path.dirname(path), error)) from None
    finally:
        with contextlib.suppress(OSError):
            os.unlink(beside)
    return True


def _created_without_links(path: str, mine: Writer) -> bool:
    """For disks without hard links; a writer that dies within leaves an empty lock to delete by hand."""
    try:
        with open(path, "x", encoding="utf-8") as handle:
            handle.write(mine.as_text())
    except FileExistsError:
        return False
    return True


@contextlib.contextmanager
def _alone(folder: str) -> Iterator[bool]:
    """True while the kernel's own lock on the folder is ours; False where another has it or there is none."""
    try:
        import fcntl
        handle = os.open(folder, os.O_RDONLY)
    except (ImportError, OSError):
        yield False
        return
    try:
        yield _locked(fcntl, handle)
    finally:
        os.close(handle)


def _locked(fcntl: ModuleType, handle: int) -> bool:
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _writer_at(path: str) -> Writer | None:
    try:
        with open(path, encoding="utf-8", errors="replace") as handle:
            return Writer.from_text(handle.read())
    except OSError:
        return None


def _release(path: str, mine: Writer) -> None:
    """Remove the lock when it is ours."""
    held = _writer_at(path)
    if held is not None and held.token == mine.token:
        with contextlib.suppress(OSError):
            os.unlink(path)


def _held_text(path: str, wait: float) -> str:
    writer = _writer_at(path)
    who = f"process {writer.pid} on {writer.host} since {writer.since}" if writer else "an unknown process"
    return (f"{os.path.dirname(path)} is being written by {who}, and {wait:g} s of waiting were not enough. "
            f"Try again; when no labkit is writing there, delete {LOCK} in that folder.")


def _line_of(path: str) -> str:
    try:
        with open(path, encoding="utf-8", errors="replace") as handle:
            return handle.read().strip()
    except OSError:
        return ""


def _link_of(path: str) -> str:
    try:
        return os.readlink(path)
    except OSError:
        return ""
