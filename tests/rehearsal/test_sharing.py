"""Tasks shared among processes: the same results however many there are, and no seed lost without its name."""

import multiprocessing
import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest

from labkit.errors import PlanError, RehearsalError
from labkit.rehearsal import sharing
from labkit.rehearsal.sharing import can_fork, shared_out

forked = pytest.mark.skipif(not can_fork(), reason="this platform does not fork")
WORKERS = [1, pytest.param(2, marks=forked), pytest.param(3, marks=forked)]


def product(seed):
    """Something that a BLAS does, in sums whose order would show."""
    rng = np.random.default_rng(seed)
    return rng.normal(size=(300, 400)) @ rng.normal(size=(400, 5))


class TestResults:
    @pytest.mark.parametrize("workers", WORKERS)
    def test_stand_in_the_order_of_the_seeds_and_do_not_depend_on_who_made_them(self, workers):
        seeds = [7, 3, 11, 0, 5]
        found = shared_out(lambda seed: product(seed), seeds, workers=workers)
        for seed, value in zip(seeds, found, strict=True):
            np.testing.assert_array_equal(value, shared_out(product, [seed], workers=1)[0])

    @pytest.mark.parametrize("workers", WORKERS)
    def test_each_process_uses_one_blas_thread(self, workers):
        from threadpoolctl import threadpool_info

        threads = shared_out(lambda seed: [pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"],
                             range(3), workers=workers)
        assert threads[0] and {count for each in threads for count in each} == {1}

    @forked
    def test_the_work_is_done_by_as_many_processes_as_asked_for_and_none_is_left(self):
        def task(seed):
            time.sleep(0.05)
            return os.getpid()

        found = shared_out(task, range(6), workers=2)
        assert len(set(found)) == 2 and os.getpid() not in found
        assert multiprocessing.active_children() == []

    def test_one_after_the_other_where_nothing_forks(self, monkeypatch):
        monkeypatch.setattr(sharing, "can_fork", lambda: False)
        assert set(shared_out(lambda seed: os.getpid(), range(3), workers=2)) == {os.getpid()}

    @pytest.mark.parametrize("workers", WORKERS)
    def test_progress_is_told_after_each(self, workers):
        told = []
        shared_out(lambda seed: seed, range(4), workers=workers, progress=lambda done, total: told.append((done, total)))
        assert told == [(1, 4), (2, 4), (3, 4), (4, 4)]


@pytest.mark.parametrize("system, ways, forks", [("Linux", ["fork", "spawn"], True), ("Darwin", ["spawn", "fork"], False),
                                                 ("Windows", ["spawn"], False)])
def test_where_processes_are_forked(monkeypatch, system, ways, forks):
    """Where this is wrongly denied, most tests of this file would be passed over."""
    monkeypatch.setattr(sharing.platform, "system", lambda: system)
    monkeypatch.setattr(sharing.multiprocessing, "get_all_start_methods", lambda: ways)
    assert can_fork() == forks


class TestFailures:
    @pytest.mark.parametrize("workers", WORKERS)
    @pytest.mark.parametrize("error, message", [
        (ZeroDivisionError("division by zero"), "the rehearsal of seed 12 failed: ZeroDivisionError: division by zero. "
         "Rehearse it alone (seeds=[12]) to see where."),
        (PlanError("no formula fits. Widen a limit."), "the rehearsal of seed 12 failed: no formula fits. Widen a limit."),
    ])
    def test_a_seed_that_fails_is_named(self, workers, error, message):
        def task(seed):
            if seed == 12:
                raise error
            return seed

        with pytest.raises(RehearsalError) as failed:
            shared_out(task, [10, 11, 12, 13], workers=workers)
        assert str(failed.value) == message
        cause = failed.value.__cause__
        assert cause is error or "in task" in str(cause)
        assert multiprocessing.active_children() == []

    @forked
    def test_a_process_that_is_killed_is_named_by_its_seed(self):
        def task(seed):
            if seed == 2:
                os.kill(os.getpid(), signal.SIGKILL)
            return seed

        with pytest.raises(RehearsalError) as failed:
            shared_out(task, [0, 1, 2, 3], workers=2)
        assert str(failed.value) == ("the rehearsal of seed 2 was ended from outside (exit code -9). "
                                     "Rehearse fewer at once, or this seed alone, and see.")

    def test_an_interrupt_names_the_seed_and_stays_an_interrupt(self):
        def task(seed):
            raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt) as stopped:
            shared_out(task, [4, 5], workers=1)
        assert stopped.value.__notes__ == ["interrupted while rehearsing seed 4"]

    @forked
    def test_an_interrupt_of_the_parent_ends_the_others_and_names_their_seeds(self):
        def progress(done, total):
            raise KeyboardInterrupt

        def task(seed):
            time.sleep(0.02 if seed == 1 else 20)

        with pytest.raises(KeyboardInterrupt) as stopped:
            shared_out(task, [1, 2], workers=2, progress=progress)
        assert stopped.value.__notes__ == ["interrupted while rehearsing seed 2"]
        assert multiprocessing.active_children() == []

    @forked
    def test_when_the_parent_is_killed_the_others_end_by_themselves(self):
        code = ("import os, time\nfrom labkit.rehearsal.sharing import shared_out\n"
                "def task(seed):\n    os.write(1, b'%d\\n' % os.getpid())\n    time.sleep(0.3)\n"
                "shared_out(task, range(50), workers=2)\n")
        parent = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
        children = set()
        while len(children) < 2:                                    # a quick child may be named twice before a slow one
            children.add(int(parent.stdout.readline()))
        parent.kill()
        parent.wait()
        parent.stdout.close()
        end = time.monotonic() + 10
        while any(map(_runs, children)) and time.monotonic() < end:
            time.sleep(0.05)
        assert not any(map(_runs, children))


def _runs(pid):
    """Whether a process is there and not a zombie that nobody has waited for (Linux)."""
    try:
        with open(f"/proc/{pid}/stat", encoding="utf-8") as file:
            return file.read().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False
