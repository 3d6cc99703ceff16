"""The fit of one log: sampled, checked, and drawn on where a check fails."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from estimator.fit.posterior import Posterior, collect
from estimator.fit.problem import Problem
from estimator.fit.sampling import TARGET_ACCEPT, Trace, join, sample

MORE_ROUNDS = 2
MORE_ACCEPT = 0.95
"""A fit that misses its checks is drawn on from where it stopped, in smaller steps, at most this
many times; all draws count."""


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
) -> Fit:
    """Sample, and draw on while a check fails.

    Args:
        problem: the log and the tank.
        seed, more_seed, level_seed: of the first draws, of those drawn on, of the levels.
        cores: processes for the chains, see `sample`.
        progress: told of the part done.

    Raises:
        FitError: the model could not be started.
    """

    def draw(one: np.random.SeedSequence, accept: float, resume: Trace | None = None) -> Trace:
        return sample(
            problem,
            one,
            target_accept=accept,
            resume=resume,
            cores=cores,
            progress=None if progress is None else lambda done, total: progress(done / total),
        )

    trace = draw(seed, TARGET_ACCEPT)
    posterior = collect(problem, trace, level_seed)
    for one in more_seed.spawn(MORE_ROUNDS):
        if not posterior.diagnostics.failures:
            break
        trace = join(trace, draw(one, MORE_ACCEPT, trace))
        posterior = collect(problem, trace, level_seed)
    return fit_of(problem, trace, posterior)
