"""Processes on this machine that study tanks: all libraries loaded once, none left behind."""

from __future__ import annotations

import gc
import importlib
import signal
import sys
from collections.abc import Callable
from concurrent.futures import Future
from concurrent.futures.process import ProcessPoolExecutor
from types import TracebackType
from typing import Any, TypeVar

from estimator.processes import Bound, held

HEAVY = (
    "estimator.fit.sampling",
    "estimator.next_tests.planning",
    "estimator.plan.planner",
    "estimator.advice.tank_ph",
    "estimator.advice.outlook",
    "estimator.fit.watch",
    "reports.page.shell",
)
"""Modules that load all that a fit needs, which takes seconds: once in each pool."""

T = TypeVar("T")


class Workers(ProcessPoolExecutor):
    """Processes on this machine that load all libraries once and end with this one.

    As a context manager that is left by an exception, Ctrl-C say, it ends them at once; a report
    that is being written just then is finished first.

    Args:
        count: processes.
        prepare: called first in each of them; a function of a module.
        method: start method of `multiprocessing`; by default a fork server that has loaded the
            libraries where that is safe (a thread of this process cannot harm it), else "spawn".
    """

    def __init__(
        self, count: int, prepare: Callable[[], object], method: str | None = None
    ) -> None:
        method = method or ("forkserver" if sys.platform == "linux" else "spawn")
        context: Any = Bound(method)
        if method == "forkserver":
            _start_fork_server(context)
        super().__init__(count, mp_context=context, initializer=_start_worker, initargs=(prepare,))

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        # This may start a process. It inherits that Ctrl-C is held: ending it is up to this one.
        with held(signal.SIGINT):
            return super().submit(fn, *args, **kwargs)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> bool | None:
        if kind is not None:
            self._end()
        return super().__exit__(kind, error, trace)

    def _end(self) -> None:
        # Python 3.14 has `terminate_workers`; before that there is no other way to them.
        processes = list((self._processes or {}).values())
        self.shutdown(wait=False, cancel_futures=True)
        for process in processes:
            process.terminate()
        for process in processes:
            process.join()


def _start_fork_server(context: Bound) -> None:
    """Start the server and wait until it has loaded all libraries; Ctrl-C ends the wait."""
    from multiprocessing import forkserver, resource_tracker

    context.set_forkserver_preload(list(HEAVY))
    # First, since starting the tracker lets Ctrl-C through again.
    resource_tracker.ensure_running()
    with held(signal.SIGINT):
        forkserver.ensure_running()
    # A worker whose pool is gone before it starts would print a traceback; this one needs no pool.
    ready = context.Process(target=int)
    ready.start()
    ready.join()


def _start_worker(prepare: Callable[[], object]) -> None:
    prepare()
    for module in HEAVY:
        importlib.import_module(module)
    # All that stays: to look through it for rubbish, again and again, would be in vain.
    gc.freeze()
