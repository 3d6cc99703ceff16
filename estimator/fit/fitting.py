"""The fit of one log: sampled in rounds, until the checks pass."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from estimator.fit.either_arviz import load_arviz
from estimator.fit.posterior import Posterior, collect
from estimator.fit.problem import Problem
from estimator.fit.trace import Trace, join

if TYPE_CHECKING:
    from estimator.fit.apart import Apart

FIRST_DRAWS = 340
"""Draws of each of the four chains in the first round: 1,360 in all. A chance of one half errs by
1.5 in a hundred where 1,100 of them count as free of each other."""
MORE = 1 / 3
"""Draws of each further round, as a part of those that there are."""
MOST_ROUNDS = 7
"""How long to draw: whole rounds, until the draws of all chains together fail no check. A fit that
still fails one after the last round, of 1,908 draws a chain, is not used."""


@dataclass(frozen=True)
class Fit(Problem):
    """A problem and its answer, made once and passed on.

    Attributes:
        trace: raw draws of the parameters.
        posterior: what they mean for the tank.
    """

    trace: Trace
    posterior: Posterior

    @property
    def sound(self) -> bool:
        """Whether the sampling passed its checks."""
        return not self.posterior.diagnostics.failures


def fit_of(problem: Problem, trace: Trace, posterior: Posterior) -> Fit:
    """A problem with its answer."""
    parts = (problem.log, problem.tank, problem.schedule, problem.priors, problem.frame)
    return Fit(*parts, trace, posterior)


def fit(
    problem: Problem,
    seed: np.random.SeedSequence,
    more_seed: np.random.SeedSequence,
    level_seed: np.random.SeedSequence,
    *,
    cores: int | None = None,
    progress: Callable[[float], None] | None = None,
    apart: Apart | None = None,
) -> Fit:
    """Draw round by round until the checks pass, `MOST_ROUNDS` at most; all draws count.

    Args:
        problem: the log and the tank.
        seed, more_seed, level_seed: of the first round, of those after it, and of the levels.
        cores: that may be used; None: all.
        progress: told of the part of a round that is done.
        apart: the sampler of this log; None: one in this process.

    Raises:
        FitError: the model could not be started.
    """
    sampler: Any = apart
    if sampler is None:
        load_arviz()
        from estimator.fit.sampling import Sampler  # here, since it loads PyMC

        sampler = Sampler(problem)

    def draw(one: np.random.SeedSequence, draws: int, resume: Trace | None = None) -> Trace:
        return sampler.draw(
            one,
            draws,
            resume=resume,
            cores=cores,
            progress=None if progress is None else lambda done, total: progress(done / total),
        )

    trace = draw(seed, FIRST_DRAWS)
    posterior = collect(problem, trace, level_seed, cores)
    for one in more_seed.spawn(MOST_ROUNDS - 1):
        if not posterior.diagnostics.failures:
            break
        trace = join(trace, draw(one, round(MORE * trace.z.shape[1]), trace))
        posterior = collect(problem, trace, level_seed, cores)
    return fit_of(problem, trace, posterior)
