"""The raw draws of a fit."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from estimator.fit.problem import Problem


@dataclass(frozen=True)
class Trace:
    """Raw draws of one fit.

    Attributes:
        z: (chains, draws, p) standard normal numbers behind the parameters.
        natural: (chains, draws, p) parameters on their natural scales, as `PriorTable` orders them.
        misread: (chains, draws, m) class of each reading.
        jump: (chains, draws) which of the candidates of `jumps` happened.
        divergences: count over all chains.
        gradients: likelihood gradients used while drawing, over all chains.
        step_size: that NUTS took last, geometric mean over the chains.
    """

    z: np.ndarray
    natural: np.ndarray
    misread: np.ndarray
    jump: np.ndarray
    divergences: int
    gradients: int
    step_size: float

    @property
    def end(self) -> Trace:
        """The last draw of each chain, from which more can be drawn."""
        last = slice(-1, None)
        return replace(
            self,
            z=self.z[:, last],
            natural=self.natural[:, last],
            misread=self.misread[:, last],
            jump=self.jump[:, last],
        )


def join(first: Trace, second: Trace) -> Trace:
    """One trace of two, the second resumed from the first."""
    return Trace(
        z=np.concatenate([first.z, second.z], axis=1),
        natural=np.concatenate([first.natural, second.natural], axis=1),
        misread=np.concatenate([first.misread, second.misread], axis=1),
        jump=np.concatenate([first.jump, second.jump], axis=1),
        divergences=first.divergences + second.divergences,
        gradients=first.gradients + second.gradients,
        step_size=second.step_size,
    )


def thinned(total: int, count: int) -> np.ndarray:
    """Indices of at most `count` evenly spaced draws of `total`."""
    return np.unique(np.linspace(0, total - 1, min(count, total)).round().astype(int))


def made_up_trace(problem: Problem) -> Trace:
    """Two draws at the prior medians, to compile what takes a trace."""
    z = np.zeros((1, 2, problem.priors.size))
    misread = np.zeros((1, 2, len(problem.schedule.readings)), dtype=np.int64)
    jump = np.zeros((1, 2), dtype=np.int64)
    return Trace(z, problem.priors.natural(z), misread, jump, 0, 0, 1.0)
