"""Work by several threads, and by a copy of the process."""

from __future__ import annotations

import multiprocessing
import os
import threading

import pytest

from estimator.processes import beside, may_fork, side_by_side

forks = pytest.mark.skipif(
    "fork" not in multiprocessing.get_all_start_methods(), reason="this system does not fork"
)


def test_answers_come_in_the_order_of_the_items(monkeypatch) -> None:
    """However long each takes: the first here ends only when the last has begun."""
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    last_begun = threading.Event()

    def work(item: int) -> int:
        if item == 1:
            last_begun.set()
        else:
            assert last_begun.wait(10)
        return 10 * item

    assert side_by_side(work, [0, 1]) == [0, 10]


@pytest.mark.parametrize("cores", [None, 1])
def test_a_fault_comes_through(cores) -> None:
    """As if the work had been done in turn."""
    with pytest.raises(ZeroDivisionError):
        side_by_side(lambda item: 1 / item, [1, 0], cores)


def test_one_core_needs_no_thread() -> None:
    """Many tanks at a time have a processor each: threads would only take turns with them."""
    here = threading.get_ident()
    assert side_by_side(lambda _: threading.get_ident(), range(3), 1) == [here] * 3


@forks
def test_work_beside_is_done_by_another_process(monkeypatch) -> None:
    """It has begun before its answer is asked for, and the answer comes through."""
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    begun, theirs = multiprocessing.Pipe(duplex=False)

    def work() -> int:
        theirs.send("begun")
        return os.getpid()

    answer = beside(work)
    assert begun.poll(10)
    assert answer() != os.getpid()
    assert not multiprocessing.active_children()


def test_with_one_core_nothing_is_begun(monkeypatch) -> None:
    """The work waits until its answer is asked for, and is done here."""
    monkeypatch.setattr("os.cpu_count", lambda: 4)
    done = []
    answer = beside(lambda: done.append(os.getpid()), cores=1)
    assert not done
    answer()
    assert done == [os.getpid()]
    monkeypatch.setattr("os.cpu_count", lambda: 1)
    assert not may_fork()
    assert not may_fork(4)


@forks
def test_a_fault_beside_comes_with_the_answer(monkeypatch) -> None:
    """As if the work had been done here."""
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    answer = beside(lambda: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        answer()


@forks
def test_a_copy_that_is_killed_is_told(monkeypatch) -> None:
    """Its answer never comes: no waiting for ever."""
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    answer = beside(lambda: os.kill(os.getpid(), 9))
    with pytest.raises(EOFError):
        answer()
