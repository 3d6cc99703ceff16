"""The likelihood of a log with every level and uptake path integrated out, compiled.

Kit errors: each reading belongs to a class, an ordinary one or one whose error sd is 4, 16 or 64
times larger, which keeps heavy tails exact; given the classes everything is Gaussian. At most one
of the candidates of `jumps` has happened; given which, everything is Gaussian, too.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numba import njit

from estimator.fit.kalman import System, draw_states, log_likelihood_and_adjoint
from estimator.fit.layout import LOAD_SHARE, SATURATED_INCREMENT
from estimator.fit.mass_balance import fill, pull_back, reach_at
from estimator.fit.priors import natural_at, pull_to_z
from estimator.fit.problem import Frame, Problem

MISREAD_SPREAD = np.array([1.0, 4.0, 16.0, 64.0])
"""Error sd of each class of reading over that of an ordinary one."""
MISREAD_CHANCE = np.array([0.96, 0.03, 0.008, 0.002])
"""Prior chance of each class: about one hobby reading in 25 is odd (common practice, no source)."""


def compiled() -> bool:
    """Whether an earlier run left the compiled density on disk, newer than its source.

    If so, most likely all else is there, too.
    """
    kept = Path(density_and_gradient.stats.cache_path or "").glob("*.density_and_gradient-*.nbi")
    source = Path(__file__).stat().st_mtime
    return any(one.stat().st_mtime > source for one in kept)


def compile_density(problem: Problem) -> None:
    """Compile the likelihood with its gradient, by running it once on this log.

    A second process can do the rest beside it (`moves.compile_draws`): compiled code is shared
    through numba's cache on disk, and on a machine's first run this saves seconds.
    """
    frame, z = problem.frame, np.zeros(problem.priors.size)
    readings = len(problem.schedule.readings)
    # First, since the other process waits for it.
    system_of(problem.priors.natural(z), np.ones(len(frame.steps)), 0, frame)
    density_and_gradient(z, np.ones(readings), 0, frame)


@njit(cache=True)
def spread_by_step(spread, frame):  # type: ignore[no-untyped-def]
    """Spreads of readings (m,) by the step that each is on (n,); 1 where there is none."""
    steps = np.ones(len(frame.steps))
    for m in range(len(spread)):
        steps[frame.reading_step[m]] = spread[m]
    return steps


@njit(cache=True, nogil=True)
def system_of(theta, by_step, jump, frame):  # type: ignore[no-untyped-def]
    """The linear system of the log at parameters (p,), spreads of readings by step (n,) and a
    candidate of `Frame.jumps`."""
    system = fill(
        theta, by_step, frame.steps, frame.moments, frame.shape, frame.mean, frame.covariance
    )
    jumps = frame.jumps
    system.noise[jumps.step[jump], jumps.state[jump]] += jumps.variance[jump]
    return system


@njit(cache=True, inline="always")  # or all of it would be compiled once more
def value_and_gradient(z, spread, jump, frame):  # type: ignore[no-untyped-def]
    """Log-likelihood and its gradient by z (p,); −inf and zeros where the numbers overflow."""
    theta = natural_at(z, frame.arrays)
    by_step = spread_by_step(spread, frame)
    system = system_of(theta, by_step, jump, frame)
    value, adjoint = log_likelihood_and_adjoint(system)
    gradient = pull_back(theta, by_step, frame.steps, frame.moments, frame.shape, adjoint)
    pulled = pull_to_z(gradient, theta, frame.arrays)
    if not (np.isfinite(value) and np.isfinite(pulled.sum())):
        return -np.inf, np.zeros(len(z))
    return value, pulled


@njit(cache=True, nogil=True)
def draw_path_at(theta, spread, jump, frame, normals):  # type: ignore[no-untyped-def]
    """One exact draw of all states (n, d), and the readings it leads to expect (m,).

    theta (p,), spread (m,), jump a candidate, normals (n + 1, d + 1) standard normal numbers; zeros
    give the smoothed mean.
    """
    system = system_of(theta, spread_by_step(spread, frame), jump, frame)
    path = draw_states(system, frame.root, normals)
    expected = np.empty(len(frame.reading_step))
    for m in range(len(expected)):
        i = frame.reading_step[m]
        expected[m] = system.intercept[i]
        for a in range(frame.shape.size):
            expected[m] += system.loading[i, a] * path[i, a]
    return path, expected


@njit(cache=True)
def _bend(load_z, frame):  # type: ignore[no-untyped-def]
    """How far the saturated increment's z moves for the known supply to stay, and its slope."""
    if frame.known_flow == 0.0:
        return 0.0, 0.0
    arrays = frame.arrays
    share = 0.5 * (1.0 + np.tanh(0.5 * (arrays.centre[LOAD_SHARE] + load_z)))
    share_slope = share * (1.0 - share)
    reached, slope = reach_at(frame.known_flow * share, frame.shape.chambers)
    sd = arrays.root[SATURATED_INCREMENT, SATURATED_INCREMENT]
    return np.log(reached) / sd, slope / reached * frame.known_flow * share_slope / sd


@njit(cache=True)
def straight(z, frame):  # type: ignore[no-untyped-def]
    """Coordinates t (p,) in which the effluent at a known flow is one of them; the volume stays.

    Effluent tests, or the level itself, fix the product of the saturated increment and of the part
    reached: in z a narrow, bent ridge. t holds that product instead of the saturated increment (a
    centred parametrisation: Betancourt & Girolami 2015, arXiv:1312.0906).
    """
    t = z.copy()
    t[SATURATED_INCREMENT] += _bend(z[LOAD_SHARE], frame)[0]
    return t


@njit(cache=True)
def bent(t, frame):  # type: ignore[no-untyped-def]
    """z (p,) from t, the inverse of `straight`."""
    z = t.copy()
    z[SATURATED_INCREMENT] -= _bend(t[LOAD_SHARE], frame)[0]
    return z


@njit(cache=True)
def density_and_gradient(t, spread, jump, frame):  # type: ignore[no-untyped-def]
    """Log of likelihood times prior of z, up to a constant, and its gradient by t (p,)."""
    z = bent(t, frame)
    value, gradient = value_and_gradient(z, spread, jump, frame)
    gradient = gradient - z
    gradient[LOAD_SHARE] -= gradient[SATURATED_INCREMENT] * _bend(t[LOAD_SHARE], frame)[1]
    return value - 0.5 * np.sum(z * z), gradient


def class_chances(residual: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """Chance of each class of reading (m, 4) given its residual (m,) and ordinary variance (m,)."""
    scaled = residual[:, None] / np.sqrt(variance)[:, None] / MISREAD_SPREAD
    log_weight = np.log(MISREAD_CHANCE / MISREAD_SPREAD) - 0.5 * scaled**2
    weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    return weight / weight.sum(axis=1, keepdims=True)


def system_at(theta: np.ndarray, misread: np.ndarray, jump: int, frame: Frame) -> System:
    """The linear system of the log at parameters (p,), classes (m,) and a jump."""
    by_step = spread_by_step(MISREAD_SPREAD[misread], frame)
    found: System = system_of(theta, by_step, jump, frame)
    return found
