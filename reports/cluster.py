"""Many tanks on a running Dask cluster, through `distributed` (the extra `cluster`).

    connected   address -> client, after a look at the cluster's workers
    run_on      jobs -> outcomes on that cluster, as `many.run_many` on this machine

Files are read and written here alone: what was read is sent to a worker and the texts of the two
files come back, so that workers need no folder in common with this machine. They do need the same
versions of everything, since the files are to be the same bytes.
"""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager
from threading import Lock
from typing import TYPE_CHECKING, Any

from estimator.errors import ClusterError
from reports.many import (
    Made,
    TankJob,
    TankOutcome,
    Task,
    attempt,
    failed,
    finish,
    make_report,
    read_task,
    unexpected,
)
from reports.twin.versions import made_by

if TYPE_CHECKING:
    from distributed import Client, Future

PATIENCE_S = 5
"""How long a scheduler may take to answer, and a first worker to be there."""
REMEDY = (
    "start each worker where the same versions of this program and its libraries are installed, "
    "with --nthreads 1, since a tank keeps one processor busy"
)

_TURN = Lock()
"""Threads of a worker take turns: a fit has its process for itself."""


@contextmanager
def connected(address: str) -> Iterator[Client]:
    """A client of the cluster whose scheduler answers at `address`.

    Left in any way, it gives up what it handed out: what no worker has begun is dropped.

    Raises:
        ClusterError: `distributed` is not installed, nobody answers, there is no worker, or one is
            unlike this process.
    """
    try:
        from distributed import Client
    except ImportError as error:
        msg = (
            "--scheduler needs the package distributed, which is not installed; install this "
            "program's extra cluster: pip install '.[cluster]' in its folder"
        )
        raise ClusterError(msg) from error
    # Lost connections are told as outcomes and errors.
    for name in ("distributed", "distributed.client"):
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    if told := asyncio.run(_no_scheduler(address)):
        rule = "--scheduler must name a running Dask scheduler, as tcp://HOST:PORT"
        msg = f"{rule}; found {address!r}, where {told}; start one: dask scheduler"
        raise ClusterError(msg)
    with Client(address, timeout=PATIENCE_S, set_as_default=False) as client:
        _look_at_workers(client, address)
        yield client


async def _no_scheduler(address: str) -> str:
    """What there is at an address instead of a scheduler; "" where there is one.

    A client that gets no sound answer could not be closed any more.
    """
    from distributed import rpc

    try:
        async with asyncio.timeout(PATIENCE_S), rpc(address) as other:
            kind = (await other.identity())["type"]
    except TimeoutError:
        return f"nobody answers within {PATIENCE_S} s"
    except Exception as error:  # whatever it is that speaks another language there
        return f"nobody answers as one would ({type(error).__name__}: {str(error)[:100]})"
    return "" if kind == "Scheduler" else f"a Dask {kind.lower()} answers"


def _look_at_workers(client: Client, address: str) -> None:
    """Raises: ClusterError, there is no worker, or one is unlike this process."""
    try:
        client.wait_for_workers(1, timeout=PATIENCE_S)
    except TimeoutError as error:
        rule = f"start some: dask worker {address} --nworkers -1 --nthreads 1"
        msg = f"the scheduler at {address} has no workers; {rule}"
        raise ClusterError(msg) from error
    threads = client.nthreads()
    for worker, kind in sorted(client.run(_asking(), on_error="return").items()):
        told = _unlike(kind)
        if not told and threads.get(worker, 1) != 1:
            told = f"has {threads[worker]} threads where 1 is needed"
        if told:
            raise ClusterError(f"the worker at {worker} {told}; {REMEDY}")


def _asking() -> Callable[[], Any]:
    """What tells a worker's kind. As an inner function it is sent as it stands, so that it runs
    where this program is missing, too."""

    def kind() -> Any:
        from reports.twin.versions import made_by

        return made_by()

    return kind


def _unlike(kind: Any) -> str:
    """How a worker differs from this process; "" where it does not."""
    if not isinstance(kind, dict):
        return f"has not this version of the program ({type(kind).__name__}: {str(kind)[:100]})"
    told = _differing(kind, made_by())
    return f"has {told}" if told else ""


def _differing(kind: dict[str, str], wanted: dict[str, str]) -> str:
    """What of one process's kind is not as it must be; "" where all is."""
    return ", ".join(
        f"{key} {kind.get(key, 'unknown')} where {value} is needed"
        for key, value in wanted.items()
        if kind.get(key) != value
    )


def run_on(client: Client, jobs: Iterable[TankJob]) -> Generator[TankOutcome, None, None]:
    """Study every tank on a cluster; outcomes come as they are ready, one for each job.

    What a lost worker had in hand the scheduler gives to another; only a tank that several workers
    were lost over has failed. Two tanks a worker are handed out at a time, so that neither the
    workers wait nor texts pile up here.

    Args:
        client: see `connected`.
        jobs: taken as they are needed.

    Raises:
        ClusterError: the scheduler is gone. What is written by then stays.
    """
    from distributed import as_completed

    left = deque(jobs)
    waiting: dict[Future, Task] = {}
    ready = as_completed(loop=client.loop)
    try:
        while left or waiting:
            room = max(2 * len(client.nthreads()), 1)
            while left and len(waiting) < room:
                job = left.popleft()
                task = attempt(job, read_task, job)
                if isinstance(task, TankOutcome):
                    yield task
                    continue
                future = client.submit(_on_worker, task, made_by(), pure=False)
                waiting[future] = task
                ready.add(future)
            if waiting:
                future = next(ready)
                outcome = _taken(future, waiting[future])
                del waiting[future]
                yield outcome
    except (OSError, CancelledError) as error:
        to_go = len(left) + len(waiting)
        rule = "the reports of the others are written; start it anew and run this again"
        msg = f"the scheduler was lost ({type(error).__name__}); tanks to go: {to_go}; {rule}"
        raise ClusterError(msg) from error


def _on_worker(task: Task, wanted: dict[str, str]) -> Made | TankOutcome:
    """What a worker does; it may have come later than those that were looked at."""
    if told := _differing(made_by(), wanted):
        return failed(task.job, f"its worker has {told}; {REMEDY}")
    with _TURN:
        return attempt(task.job, make_report, task)


def _taken(future: Future, task: Task) -> TankOutcome:
    """The outcome of a task that has come back, its files written.

    Raises:
        CancelledError: the scheduler is gone.
    """
    from distributed import KilledWorker

    try:
        made: Made | TankOutcome = future.result()
    except CancelledError:
        raise
    except KilledWorker:
        reason = "several workers died over it; see whether their machines run out of memory"
        return failed(task.job, reason)
    except Exception as error:  # on the way: `_on_worker` raises none
        return failed(task.job, unexpected(error))
    return made if isinstance(made, TankOutcome) else attempt(task.job, finish, task, made)
