"""One writer at a time; a dead writer's lock is recognised, also when its process number was given out again."""
import json
import multiprocessing
import os
import signal
import subprocess
import sys
import threading
import time

import pytest
from store.conftest import scores_of, snapshot

import labkit
from labkit.errors import StoreError
from labkit.store import lock
from labkit.store.lock import LOCK, Writer, _line_of, is_dead, only_writer, start_of

HOLD = """
import sys, time
from labkit.store.lock import only_writer
with only_writer(sys.argv[1], wait=0):
    print("held", flush=True)
    time.sleep(60)
"""
posix = pytest.mark.skipif(os.name != "posix", reason="processes are judged on POSIX systems only")


@pytest.fixture
def holder(tmp_path):
    """Another process that holds the lock of a folder."""
    process = subprocess.Popen([sys.executable, "-c", HOLD, str(tmp_path)], stdout=subprocess.PIPE, text=True,
                               env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)})
    assert process.stdout.readline() == "held\n"
    yield process
    process.kill()
    process.wait()
    process.stdout.close()


def writer(**changes):
    return Writer(**{**json.loads(Writer.from_here().as_text()), **changes})


def leave_lock(folder, **changes):
    text = writer(**changes).as_text()
    (folder / LOCK).write_text(text)
    return text


class TestAnotherWriter:
    def test_is_named_after_a_short_wait(self, tmp_path, holder):
        held = json.loads((tmp_path / LOCK).read_text())
        begin = time.monotonic()
        with pytest.raises(StoreError) as caught, only_writer(str(tmp_path), wait=0.2):
            pass
        assert 0.2 <= time.monotonic() - begin < 2
        assert held["pid"] == holder.pid
        assert str(caught.value) == (
            f"{tmp_path} is being written by process {holder.pid} on {held['host']} since {held['since']}, and 0.2 s "
            "of waiting were not enough. Try again; when no labkit is writing there, delete writing.lock in that folder.")
        assert json.loads((tmp_path / LOCK).read_text()) == held

    def test_is_waited_for(self, tmp_path, holder):
        threading.Timer(0.3, holder.terminate).start()      # its lock stays behind, as after any sudden end
        with only_writer(str(tmp_path), wait=10):
            assert json.loads((tmp_path / LOCK).read_text())["pid"] == os.getpid()
        assert list(tmp_path.iterdir()) == []

    @posix
    def test_that_was_killed_is_taken_over_at_once_though_nobody_has_buried_it(self, tmp_path, holder):
        holder.send_signal(signal.SIGKILL)
        while not is_dead(Writer.from_text((tmp_path / LOCK).read_text())):
            time.sleep(0.01)
        with only_writer(str(tmp_path), wait=0):
            pass
        assert list(tmp_path.iterdir()) == []

    def test_keeps_every_file_as_it_was_and_readers_need_not_wait(self, scored):
        held = json.loads(leave_lock(scored))
        before = snapshot(scored)
        for verb in [lambda: labkit.append_scores(scored, scores_of(["P01"]).assign(session="2"), wait=0),
                     lambda: labkit.set_aside(scored, tester="001", reason="cold", wait=0)]:
            with pytest.raises(StoreError) as caught:
                verb()
            assert str(caught.value) == (
                f"{scored} is being written by process {held['pid']} on {held['host']} since {held['since']}, and 0 s of "
                "waiting were not enough. Try again; when no labkit is writing there, delete writing.lock in that folder.")
        assert len(labkit.read_trial(scored).scores) == 24
        assert snapshot(scored) == before


class TestTheSameProcess:
    def test_locks_and_unlocks(self, tmp_path):
        for _ in range(2):
            with only_writer(str(tmp_path), wait=0):
                assert [path.name for path in tmp_path.iterdir()] == [LOCK]
            assert list(tmp_path.iterdir()) == []

    def test_unlocks_after_a_refusal_and_after_an_interruption(self, tmp_path):
        for error in (ValueError, KeyboardInterrupt):
            with pytest.raises(error), only_writer(str(tmp_path), wait=0):
                raise error
            assert list(tmp_path.iterdir()) == []

    def test_does_not_lock_twice(self, tmp_path):
        with only_writer(str(tmp_path), wait=0):
            with pytest.raises(StoreError), only_writer(str(tmp_path), wait=0):
                pass
            assert (tmp_path / LOCK).exists()

    def test_leaves_a_lock_that_is_no_longer_its_own(self, tmp_path):
        with only_writer(str(tmp_path), wait=0):
            os.unlink(tmp_path / LOCK)
            text = leave_lock(tmp_path)
        assert (tmp_path / LOCK).read_text() == text


@posix
class TestWhoIsDead:
    def test_who_runs_is_not(self):
        assert not is_dead(writer())

    def test_a_number_that_nobody_has(self):
        child = subprocess.Popen([sys.executable, "-c", "pass"])
        child.wait()
        assert is_dead(writer(pid=child.pid)) and start_of(child.pid) is None

    def test_a_number_that_was_given_out_again(self, tmp_path):
        leave_lock(tmp_path, start="1")
        assert is_dead(writer(start="1"))
        with only_writer(str(tmp_path), wait=0):
            pass

    def test_a_machine_that_was_started_again(self):
        assert is_dead(writer(boot="another"))

    def test_a_machine_that_does_not_tell_when_it_was_started(self, monkeypatch):
        running = writer()
        monkeypatch.setattr(lock, "_line_of", lambda path: "" if path.endswith("boot_id") else _line_of(path))
        assert not is_dead(running)

    @pytest.mark.parametrize("changes", [{"host": "other"}, {"machine": "other"}, {"space": "pid:[1]"}])
    def test_who_runs_elsewhere_cannot_be_judged(self, changes):
        assert not is_dead(writer(**changes, pid=2**22 - 1, start="1", boot=writer().boot))
        assert not is_dead(writer(**{"host": "other", "boot": "another"}))

    def test_without_a_known_start_the_number_decides(self):
        assert not is_dead(writer(start=""))

    def test_who_died_and_is_not_buried(self):
        child = subprocess.Popen([sys.executable, "-c", "pass"])
        while os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOWAIT) is None:
            pass
        assert start_of(child.pid) is None
        child.wait()

    def test_the_start_without_proc_is_that_of_ps(self, monkeypatch):
        exists = os.path.exists
        monkeypatch.setattr(lock.os.path, "exists", lambda path: not str(path).startswith("/proc") and exists(path))
        first, again = start_of(os.getpid()), start_of(os.getpid())
        assert first == again and len(first.split()) == 5       # such as: Sun May 4 18:30:00 2031

    def test_without_proc_and_ps_nothing_is_known(self, monkeypatch):
        monkeypatch.setattr(lock.os.path, "exists", lambda path: False)
        monkeypatch.setattr(lock.subprocess, "run", _no_program)
        assert start_of(os.getpid()) == "" and not is_dead(writer(start=""))

    def test_elsewhere_than_on_posix_nobody_is_dead(self, monkeypatch):
        monkeypatch.setattr(lock.os, "name", "nt")
        assert start_of(2**22 - 1) == ""


def _no_program(*args, **kwargs):
    raise FileNotFoundError(2, "No such file or directory", "ps")


class TestAnUnreadableLock:
    @pytest.mark.parametrize("text", ["", "{", "[]", '{"pid": 1}', "null"])
    def test_is_respected(self, tmp_path, text):
        (tmp_path / LOCK).write_text(text)
        with pytest.raises(StoreError) as caught, only_writer(str(tmp_path), wait=0):
            pass
        assert str(caught.value) == (
            f"{tmp_path} is being written by an unknown process, and 0 s of waiting were not enough. "
            "Try again; when no labkit is writing there, delete writing.lock in that folder.")
        assert (tmp_path / LOCK).read_text() == text

    def test_a_number_that_is_none_is_unreadable(self):
        assert Writer.from_text(writer(pid=-1).as_text()) is None


class TestOtherDisks:
    def test_without_hard_links(self, tmp_path, monkeypatch):
        def no_links(*args):
            raise PermissionError(1, "Operation not permitted")
        monkeypatch.setattr(lock.os, "link", no_links)
        with only_writer(str(tmp_path), wait=0):
            assert [path.name for path in tmp_path.iterdir()] == [LOCK]
            with pytest.raises(StoreError), only_writer(str(tmp_path), wait=0):
                pass
        assert list(tmp_path.iterdir()) == []

    @posix
    def test_without_a_lock_of_the_kernel_nothing_is_taken_over(self, tmp_path, monkeypatch):
        import fcntl

        def no_locks(*args):
            raise OSError(95, "Operation not supported")
        monkeypatch.setattr(fcntl, "flock", no_locks)
        leave_lock(tmp_path, start="1")
        with pytest.raises(StoreError), only_writer(str(tmp_path), wait=0.05):
            pass


def _count_up(folder, turns, barrier):
    """Raise a number in a file, each time under the lock; leave some locks behind as a dead writer would."""
    barrier.wait()
    for _ in range(turns):
        with only_writer(folder, wait=60):
            path = os.path.join(folder, "number")
            with open(path) as handle:
                number = int(handle.read())
            time.sleep(0.001)
            with open(path, "w") as handle:
                handle.write(str(number + 1))
            if number % 5 == 0:
                with open(path + str(os.getpid()), "w") as handle:
                    handle.write(writer(start="1").as_text())
                os.replace(path + str(os.getpid()), os.path.join(folder, LOCK))


@posix
def test_many_writers_take_turns_also_over_dead_locks(tmp_path):
    (tmp_path / "number").write_text("0")
    context = multiprocessing.get_context("spawn")
    barrier = context.Barrier(4)
    workers = [context.Process(target=_count_up, args=(str(tmp_path), 25, barrier)) for _ in range(4)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert [worker.exitcode for worker in workers] == [0] * 4
    assert (tmp_path / "number").read_text() == "100"
