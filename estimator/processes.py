"""Processes that end with the one that started them, however that ends; work side by side.

A killed parent leaves its children waiting for it: they hold ends of each other's pipes open, so
that none of them sees a closed one.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from multiprocessing.connection import Connection
from multiprocessing.context import BaseContext
from typing import Any, TypeVar, cast

A = TypeVar("A")
B = TypeVar("B")


class Bound:
    """A context of `multiprocessing` whose processes end with this one.

    They take no notice of Ctrl-C, which reaches all processes of a terminal: to end them is up to
    their parent.

    Args:
        method: start method; None is the system's own.
    """

    def __init__(self, method: str | None = None) -> None:
        self._context: BaseContext = multiprocessing.get_context(method)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._context, name)

    def Process(self, *, target: Callable[..., object], args: Any = (), **rest: Any) -> Any:
        """As that of the context, by keywords."""
        # Of any context, which mypy does not know to have one.
        context: Any = self._context
        return context.Process(target=_bound, args=(target, *args), **rest)


def side_by_side(work: Callable[[A], B], items: Iterable[A], cores: int | None = None) -> list[B]:
    """What `work` gives for each item, in their order, by one thread per processor.

    For work that leaves Python's lock: compiled kernels with `nogil`, NumPy on large arrays.

    Args:
        cores: that may be used; None: all.
    """
    all_cores = os.cpu_count() or 1
    threads = min(cores or all_cores, all_cores)
    if threads == 1:
        return [work(item) for item in items]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(work, items))


def may_fork(cores: int | None = None) -> bool:
    """Whether work may be given to a copy of this process.

    Args:
        cores: that may be used; None: all.
    """
    alone = 1 in (cores, os.cpu_count() or 1)
    return not alone and "fork" in multiprocessing.get_all_start_methods()


def beside(work: Callable[[], A], cores: int | None = None) -> Callable[[], A]:
    """Begin work in a copy of this process; what is returned waits for its answer.

    Its faults come with the answer. Where there is one core only, the work is done when its answer
    is asked for.

    Args:
        work: needs nothing of what this process does meanwhile; what it gives can be pickled.
        cores: that may be used; None: all.

    Raises:
        EOFError: on waiting, where the copy was ended from outside.
    """
    if not may_fork(cores):
        return work
    ours, theirs = multiprocessing.Pipe(duplex=False)
    # As a daemon, or this process would wait at its end for an answer that nobody takes.
    process = Bound("fork").Process(target=_answer, args=(theirs, work), daemon=True)
    process.start()
    theirs.close()

    def answer() -> A:
        with ours:
            good, found = ours.recv()
        process.join()
        if not good:
            raise found
        return cast(A, found)

    return answer


def _answer(pipe: Connection, work: Callable[[], object]) -> None:
    try:
        pipe.send((True, work()))
    except Exception as error:
        pipe.send((False, error))


@contextmanager
def held(*numbers: signal.Signals) -> Iterator[None]:
    """Keep signals waiting from this thread, where the system can."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    former = signal.pthread_sigmask(signal.SIG_BLOCK, numbers)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, former)


def stop_signals() -> tuple[signal.Signals, ...]:
    """The signals that ask a program to end, as far as the system has them."""
    names = ("SIGINT", "SIGTERM", "SIGHUP")
    return tuple(getattr(signal, name) for name in names if hasattr(signal, name))


def _bound(target: Callable[..., object], *arguments: object) -> None:
    """What runs in the process."""
    for number in stop_signals():
        # The parent's own handlers came along; what it was told to ignore is left so.
        if callable(signal.getsignal(number)):
            signal.signal(number, signal.SIG_DFL)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    target(*arguments)


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        # Another thread is to take the signal, which may be holding it for a moment.
        with held(signal.SIGTERM):
            parent.join()
            os.kill(os.getpid(), signal.SIGTERM)
