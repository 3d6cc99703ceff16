"""The sampler in a process of its own, which loads PyMC while this one does other things.

PyMC takes a second to load and needs nothing of the log for it; what follows the fit takes as long,
and needs nothing of PyMC. So each has its process, and neither loads what the other needs.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from typing import TYPE_CHECKING

from estimator.processes import Bound, may_fork
from estimator.surroundings import settle

if TYPE_CHECKING:
    import numpy as np

    from estimator.fit.trace import Trace
    from estimator.inputs.records import TankLog
    from estimator.inputs.tank import Tank


class Apart:
    """What `sampling.Sampler` does, by another process. It must be given a log before it draws.

    Attributes:
        meanwhile: called once, while the first draws are made.
    """

    def __init__(self) -> None:
        self.meanwhile: Callable[[], object] = int
        self._pipe, theirs = multiprocessing.Pipe()
        self._process = Bound("fork").Process(target=_serve, args=(theirs,))
        self._process.start()
        theirs.close()

    def pose(self, log: TankLog, tank: Tank) -> None:
        """What the draws are to be of."""
        self._pipe.send((log, tank))

    def draw(
        self,
        seed: np.random.SeedSequence,
        draws: int,
        *,
        resume: Trace | None = None,
        cores: int | None = None,
        progress: Callable[[int, int], None] | None = None,
    ) -> Trace:
        """As `Sampler.draw`.

        Raises:
            FitError: no starting point has a finite density.
            EOFError: the process was ended from outside.
        """
        self._pipe.send((seed, draws, None if resume is None else resume.end, cores))
        self.meanwhile()
        self.meanwhile = int
        while True:
            found = self._pipe.recv()
            if isinstance(found, Exception):
                raise found
            if not isinstance(found, tuple):
                return found
            if progress is not None:
                progress(*found)

    def close(self) -> None:
        """End the process, whatever it is at; its chains end with it."""
        # Asked to end in its first moments, it would still heed this one's handler, and go on.
        self._process.kill()
        self._process.join()
        self._pipe.close()


@contextmanager
def sampler_apart(cores: int | None = None) -> Iterator[Apart | None]:
    """A sampler apart, ended with the block; None where all is to stay in one process.

    Args:
        cores: that may be used; None: all.
    """
    if not may_fork(cores):
        yield None
        return
    apart = Apart()
    try:
        yield apart
    finally:
        apart.close()


def _serve(pipe: Connection) -> None:
    """What runs in the process: faults are sent, to be told as those of the other."""
    try:
        settle()
        from estimator.fit.either_arviz import load_arviz
        from estimator.fit.likelihood import compile_likelihood
        from estimator.fit.moves import compile_moves
        from estimator.fit.problem import pose

        load_arviz()
        from estimator.fit.sampling import Sampler

        problem = pose(*pipe.recv())
        compile_likelihood(problem)
        sampler = None
        while True:
            seed, draws, resume, cores = pipe.recv()
            if sampler is None:
                # The other process has compiled it by now; each chain would have to load it.
                compile_moves(problem)
                sampler = Sampler(problem)
            pipe.send(
                sampler.draw(
                    seed,
                    draws,
                    resume=resume,
                    cores=cores,
                    progress=lambda done, total: pipe.send((done, total)),
                )
            )
    except Exception as error:
        pipe.send(error)
