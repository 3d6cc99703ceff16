"""The likelihood of a log with every level and uptake path integrated out, compiled.

Kit errors: each reading belongs to a class, an ordinary one or one whose error sd is 4, 16 or 64
times larger, which keeps heavy tails exact; given the classes everything is Gaussian. At most one
of the candidates of `jumps` has happened; given which, everything is Gaussian, too.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from estimator.fit.kalman import System, draw_states, log_likelihood_and_adjoint
from estimator.fit.layout import LOAD_SHARE, SATURATED_INCREMENT
from estimator.fit.mass_balance import fill, pull_back, reach_at
from estimator.fit.priors import natural_at, pull_to_z
from estimator.fit.problem import Frame, Problem
from estimator.kernels import kernel, part

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


def compile_likelihood(problem: Problem) -> None:
    """Compile what stands here, by running it once on this log.

    A second process can do the rest beside it (`moves.compile_moves`): compiled code is shared
    through numba's cache on disk, and on a machine's first run this saves seconds.
    """
    frame, size = problem.frame, problem.priors.size
    readings = np.ones(len(problem.schedule.readings))
    # First, since the other process waits for it; what the density needs beside it, that one does.
    system_of(np.ones(size), readings, 0, frame)
    density_and_gradient(np.zeros(size), readings, 0, frame)
    normals = np.zeros((len(frame.steps) + 1, frame.shape.size + 1))
    draw_path_at(np.ones(size), readings, 0, frame, normals)


@part
def spread_by_step(spread, frame):  # type: ignore[no-untyped-def]
    """Spreads of readings (m,) by the step that each is on (n,); 0 where there is none."""
    steps = np.zeros(len(frame.steps))
    for m in range(len(spread)):
        steps[frame.reading_step[m]] = spread[m]
    return steps


@kernel
def system_of(theta, spread, jump, frame):  # type: ignore[no-untyped-def]
    """The linear system of the log at parameters (p,), spreads of readings (m,) and a candidate of
    `Frame.jumps`."""
    by_step = spread_by_step(spread, frame)
    system = fill(
        theta, by_step, frame.steps, frame.moments, frame.shape, frame.mean, frame.covariance
    )
    jumps = frame.jumps
    system.noise[jumps.step[jump], jumps.state[jump]] += jumps.variance[jump]
    return system


@part
def value_and_gradient(z, spread, jump, frame):  # type: ignore[no-untyped-def]
    """Log-likelihood and its gradient by z (p,); −inf and zeros where the numbers overflow."""
    theta = natural_at(z, frame.arrays)
    value, adjoint = log_likelihood_and_adjoint(system_of(theta, spread, jump, frame))
    by_step = spread_by_step(spread, frame)
    gradient = pull_back(theta, by_step, frame.steps, frame.moments, frame.shape, adjoint)
    pulled = pull_to_z(gradient, theta, frame.arrays)
    total = 0.0
    for a in range(len(z)):
        total += pulled[a]
    if not (np.isfinite(value) and np.isfinite(total)):
        return -np.inf, np.zeros(len(z))
    return value, pulled


@kernel
def draw_path_at(theta, spread, jump, frame, normals):  # type: ignore[no-untyped-def]
    """One exact draw of all states (n, d), and the readings it leads to expect (m,).

    theta (p,), spread (m,), jump a candidate, normals (n + 1, d + 1) standard normal numbers; zeros
    give the smoothed mean.
    """
    system = system_of(theta, spread, jump, frame)
    path = draw_states(system, frame.root, normals)
    expected = np.empty(len(frame.reading_step))
    for m in range(len(expected)):
        i = frame.reading_step[m]
        expected[m] = system.intercept[i]
        for a in range(frame.shape.size):
            expected[m] += system.loading[i, a] * path[i, a]
    return path, expected


@part
def _bend(load_z, ridge):  # type: ignore[no-untyped-def]
    """How far the saturated increment's z moves for the known supply to stay, and its slope."""
    if ridge.known_flow == 0.0:
        return 0.0, 0.0
    share = 0.5 * (1.0 + np.tanh(0.5 * (ridge.centre + load_z)))
    reached, slope = reach_at(ridge.known_flow * share, ridge.chambers)
    share_slope = share * (1.0 - share)
    return np.log(reached) / ridge.sd, slope / reached * ridge.known_flow * share_slope / ridge.sd


@kernel
def straight(z, ridge):  # type: ignore[no-untyped-def]
    """Coordinates t (p,) in which the effluent at a known flow is one of them; the volume stays.

    Effluent tests, or the level itself, fix the product of the saturated increment and of the part
    reached: in z a narrow, bent ridge. t holds that product instead of the saturated increment (a
    centred parametrisation: Betancourt & Girolami 2015, arXiv:1312.0906).
    """
    t = z.copy()
    t[SATURATED_INCREMENT] += _bend(z[LOAD_SHARE], ridge)[0]
    return t


@kernel
def bent(t, ridge):  # type: ignore[no-untyped-def]
    """z (p,) from t, the inverse of `straight`."""
    z = t.copy()
    z[SATURATED_INCREMENT] -= _bend(t[LOAD_SHARE], ridge)[0]
    return z


@kernel
def density_and_gradient(t, spread, jump, frame):  # type: ignore[no-untyped-def]
    """Log of likelihood times prior of z, up to a constant, and its gradient by t (p,)."""
    z = bent(t, frame.ridge)
    value, gradient = value_and_gradient(z, spread, jump, frame)
    square = 0.0
    for a in range(len(z)):
        gradient[a] -= z[a]
        square += z[a] * z[a]
    gradient[LOAD_SHARE] -= gradient[SATURATED_INCREMENT] * _bend(t[LOAD_SHARE], frame.ridge)[1]
    return value - 0.5 * square, gradient


def class_chances(residual: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """Chance of each class of reading (m, 4) given its residual (m,) and ordinary variance (m,)."""
    scaled = residual[:, None] / np.sqrt(variance)[:, None] / MISREAD_SPREAD
    log_weight = np.log(MISREAD_CHANCE / MISREAD_SPREAD) - 0.5 * scaled**2
    weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    return weight / weight.sum(axis=1, keepdims=True)


def system_at(theta: np.ndarray, misread: np.ndarray, jump: int, frame: Frame) -> System:
    """The linear system of the log at parameters (p,), classes (m,) and a jump."""
    found: System = system_of(theta, MISREAD_SPREAD[misread], jump, frame)
    return found
