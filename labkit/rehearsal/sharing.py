"""One task for many seeds, shared among processes; the results do not depend on how many there are.

A forked process has all that its parent has, so a task may be a closure: only seeds and results are passed on. Without
fork (and on macOS, whose own libraries do not bear it) the seeds are played one after the other. Sums are taken
by one BLAS thread in either case, and so in one order.
"""

import multiprocessing
import platform
import traceback
import warnings
from collections import deque
from collections.abc import Callable, Sequence
from multiprocessing.connection import Connection, wait

from labkit.errors import LabkitError, RehearsalError

Task = Callable[[int], object]
Progress = Callable[[int, int], None]


def shared_out(task: Task, seeds: Sequence[int], *, workers: int, progress: Progress | None = None) -> list:
    """[task(seed) for seed in seeds] by up to `workers` processes; progress(done, total) is called after each."""
    from threadpoolctl import threadpool_limits

    crew = min(workers, len(seeds)) if can_fork() else 1
    told = progress or (lambda done, total: None)
    with threadpool_limits(limits=1, user_api="blas"):
        return _in_turn(task, seeds, told) if crew == 1 else _side_by_side(task, seeds, crew, told)


def can_fork() -> bool:
    """Whether this platform starts processes that have all that their parent has."""
    return "fork" in multiprocessing.get_all_start_methods() and platform.system() != "Darwin"


def _in_turn(task: Task, seeds: Sequence[int], told: Progress) -> list:
    found = []
    for seed in seeds:
        try:
            found.append(task(seed))
        except KeyboardInterrupt as interrupt:
            interrupt.add_note(_interrupted([seed]))
            raise
        except Exception as error:
            raise RehearsalError(_failed(seed, error)) from error
        told(len(found), len(seeds))
    return found


def _side_by_side(task: Task, seeds: Sequence[int], workers: int, told: Progress) -> list:
    """A crew of forked processes, each with a pipe; whoever is done gets the next seed."""
    crew: dict[Connection, multiprocessing.Process] = {}
    try:
        for _ in range(workers):
            ours, process = _started(task, list(crew))
            crew[ours] = process
        return _collected(crew, seeds, told)
    finally:
        for ours, process in crew.items():
            ours.close()
            process.terminate()
            process.join()


def _started(task: Task, others: list[Connection]) -> tuple[Connection, multiprocessing.Process]:
    context = multiprocessing.get_context("fork")
    ours, theirs = context.Pipe()
    process = context.Process(target=_work, args=(task, theirs, [*others, ours]), daemon=True)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)          # of forking beside threads: ours only compute
        process.start()
    theirs.close()
    return ours, process


def _work(task: Task, pipe: Connection, others: list[Connection]) -> None:
    """What a process does: seeds in, results or errors in words out, until nobody is left to ask."""
    for end in others:                   # inherited; while they are open the end of the parent would go unseen
        end.close()
    try:
        while True:
            seed = pipe.recv()
            pipe.send(_attempted(task, seed))
    except (EOFError, OSError, KeyboardInterrupt):
        return


def _attempted(task: Task, seed: int) -> tuple[object, str, str]:
    try:
        return task(seed), "", ""
    except Exception as error:
        return None, _failed(seed, error), traceback.format_exc()


def _collected(crew: dict, seeds: Sequence[int], told: Progress) -> list:
    waiting, doing, found = deque(range(len(seeds))), {}, {}
    for ours in crew:
        _hand_on(ours, waiting, doing, seeds)
    try:
        while doing:
            for ours in wait(list(doing)):
                place = doing[ours]
                found[place] = _received(ours, crew[ours], seeds[place])
                del doing[ours]
                told(len(found), len(seeds))
                _hand_on(ours, waiting, doing, seeds)
    except KeyboardInterrupt as interrupt:
        interrupt.add_note(_interrupted([seeds[place] for place in doing.values()]))
        raise
    return [found[place] for place in range(len(seeds))]


def _hand_on(ours: Connection, waiting: deque, doing: dict, seeds: Sequence[int]) -> None:
    if waiting:
        doing[ours] = waiting.popleft()
        ours.send(seeds[doing[ours]])


def _received(ours: Connection, process: multiprocessing.Process, seed: int) -> object:
    try:
        value, problem, where = ours.recv()
    except (EOFError, OSError):
        process.join()
        raise RehearsalError(f"the rehearsal of seed {seed} was ended from outside (exit code {process.exitcode}). "
                             "Rehearse fewer at once, or this seed alone, and see.") from None
    if problem:
        raise RehearsalError(problem) from RuntimeError(where)
    return value


def _failed(seed: int, error: Exception) -> str:
    if isinstance(error, LabkitError):
        return f"the rehearsal of seed {seed} failed: {error}"
    return (f"the rehearsal of seed {seed} failed: {type(error).__name__}: {error}. "
            f"Rehearse it alone (seeds=[{seed}]) to see where.")


def _interrupted(seeds: Sequence[int]) -> str:
    return f"interrupted while rehearsing seed {' and '.join(map(str, seeds))}"
