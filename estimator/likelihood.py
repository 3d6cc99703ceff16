"""The likelihood of a log with every level and uptake path integrated out, compiled.

Kit errors: each reading belongs to a class, an ordinary one or one whose error sd is 4, 16 or 64
times larger, which keeps heavy tails exact; given the classes everything is Gaussian.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from estimator.kalman import System, draw_states, forward, log_likelihood_and_adjoint
from estimator.mass_balance import fill, pull_back
from estimator.priors import (
    PriorArrays,
    PriorTable,
    natural_at,
    prior_table,
    pull_to_z,
    theta_at,
)
from estimator.schedule import Schedule, Shape
from estimator.tank import Tank

MISREAD_SPREAD = np.array([1.0, 4.0, 16.0, 64.0])
"""Error sd of each class of reading over that of an ordinary one."""
MISREAD_CHANCE = np.array([0.96, 0.03, 0.008, 0.002])
"""Prior chance of each class: about one hobby reading in 25 is odd (common practice, no source)."""


class Frame(NamedTuple):
    """All that the compiled likelihood needs beside z and the spreads."""

    steps: np.ndarray
    moments: np.ndarray
    shape: Shape
    mean: np.ndarray
    covariance: np.ndarray
    root: np.ndarray
    reading_step: np.ndarray
    arrays: PriorArrays


def frame_of(schedule: Schedule, table: PriorTable) -> Frame:
    """The frame of one log; `root` is a root of the start covariance, which may be singular."""
    values, vectors = np.linalg.eigh(schedule.covariance)
    return Frame(
        steps=schedule.steps,
        moments=schedule.moments,
        shape=schedule.shape,
        mean=schedule.mean,
        covariance=schedule.covariance,
        root=np.ascontiguousarray(vectors * np.sqrt(np.clip(values, 0.0, None))),
        reading_step=schedule.reading_step,
        arrays=table.arrays,
    )


def compile_density(schedule: Schedule, tank: Tank) -> None:
    """Compile the likelihood and its gradient, by running them once on this log."""
    table = prior_table(schedule, tank)
    readings = len(schedule.readings)
    value_and_gradient(np.zeros(table.size), np.ones(readings), frame_of(schedule, table))


def compile_draws(schedule: Schedule, tank: Tank) -> None:
    """Compile what draws levels and classes, by running it once on this log.

    A second process can do this beside `compile_density`: compiled code is shared through numba's
    cache on disk, and on a machine's first run this saves seconds.
    """
    table = prior_table(schedule, tank)
    frame = frame_of(schedule, table)
    theta = table.theta(table.natural(np.zeros(table.size)))
    readings = len(schedule.readings)
    normals = np.zeros((len(frame.steps) + 1, frame.shape.size + 1))
    draw_path_at(theta, np.ones(readings), frame, normals)
    classes = np.zeros(readings, dtype=np.int64)
    flip_classes(theta, classes, np.zeros(2, dtype=np.int64), np.zeros((1, 3)), frame)
    residual, moves = np.zeros(readings), np.full((1, 2), 0.5)
    walk_repeatability(
        0.0, 1.0, 1.0, residual, residual + 1.0, MISREAD_CHANCE, MISREAD_SPREAD, moves
    )


@njit(cache=True)
def _by_step(spread, frame):  # type: ignore[no-untyped-def]
    steps = np.ones(len(frame.steps))
    for m in range(len(spread)):
        steps[frame.reading_step[m]] = spread[m]
    return steps


@njit(cache=True)
def value_and_gradient(z, spread, frame):  # type: ignore[no-untyped-def]
    """Log-likelihood and its gradient by z (p,); −inf and zeros where the numbers overflow."""
    natural = natural_at(z, frame.arrays)
    theta = theta_at(natural, frame.arrays)
    by_step = _by_step(spread, frame)
    system = fill(
        theta, by_step, frame.steps, frame.moments, frame.shape, frame.mean, frame.covariance
    )
    value, adjoint = log_likelihood_and_adjoint(system)
    gradient = pull_back(theta, by_step, frame.steps, frame.moments, frame.shape, adjoint)
    pulled = pull_to_z(gradient, natural, frame.arrays)
    if not (np.isfinite(value) and np.isfinite(pulled.sum())):
        return -np.inf, np.zeros(len(z))
    return value, pulled


@njit(cache=True)
def draw_path_at(theta, spread, frame, normals):  # type: ignore[no-untyped-def]
    """One exact draw of all states (n, d), and the readings it leads to expect (m,).

    theta (q,), spread (m,), normals (n + 1, d + 1) standard normal numbers; zeros give the
    smoothed mean.
    """
    system = fill(
        theta,
        _by_step(spread, frame),
        frame.steps,
        frame.moments,
        frame.shape,
        frame.mean,
        frame.covariance,
    )
    path = draw_states(system, frame.root, normals)
    expected = np.empty(len(frame.reading_step))
    for m in range(len(expected)):
        i = frame.reading_step[m]
        expected[m] = system.intercept[i]
        for a in range(frame.shape.size):
            expected[m] += system.loading[i, a] * path[i, a]
    return path, expected


def class_chances(residual: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """Chance of each class of reading (m, 4) given its residual (m,) and ordinary variance (m,)."""
    scaled = residual[:, None] / np.sqrt(variance)[:, None] / MISREAD_SPREAD
    log_weight = np.log(MISREAD_CHANCE / MISREAD_SPREAD) - 0.5 * scaled**2
    weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    return weight / weight.sum(axis=1, keepdims=True)


@njit(cache=True)
def _log_mixture(residual, rounding, repeatability, chance, spread):  # type: ignore[no-untyped-def]
    """log Π_i Σ_c chance_c N(residual_i; 0, spread_c² (repeatability² + rounding_i))."""
    total = 0.0
    for i in range(len(residual)):
        variance = repeatability**2 + rounding[i]
        square = residual[i] ** 2 / variance
        weight = 0.0
        for c in range(len(chance)):
            weight += chance[c] / spread[c] * np.exp(-0.5 * square / spread[c] ** 2)
        total += np.log(weight + 1e-300) - 0.5 * np.log(variance)
    return total


@njit(cache=True)
def walk_repeatability(z, median, sd, residual, rounding, chance, spread, moves):  # type: ignore[no-untyped-def]
    """Metropolis moves of one kit's z given its residuals, classes summed out.

    moves (k, 2): a standard normal step scaled to both ends of the plausible range, and a uniform.
    """
    here = _log_mixture(residual, rounding, median * np.exp(sd * z), chance, spread) - 0.5 * z**2
    for m in range(len(moves)):
        step = 1.5 if m % 2 else 0.4
        new = z + step * moves[m, 0]
        there = _log_mixture(residual, rounding, median * np.exp(sd * new), chance, spread)
        there -= 0.5 * new**2
        if np.log(moves[m, 1]) < there - here:
            z, here = new, there
    return z


@njit(cache=True)
def system_at(theta, misread, frame):  # type: ignore[no-untyped-def]
    """The linear system of the log at parameters (q,) and classes (m,): a `kalman.System`."""
    spread = np.empty(len(misread))
    for m in range(len(misread)):
        spread[m] = MISREAD_SPREAD[misread[m]]
    return fill(
        theta,
        _by_step(spread, frame),
        frame.steps,
        frame.moments,
        frame.shape,
        frame.mean,
        frame.covariance,
    )


@njit(cache=True)
def step_response(system, predicted, predicted_cov, first):  # type: ignore[no-untyped-def]
    """How the log-likelihood answers a shift δ of one state just after one step: b δ − a δ²/2.

    The recursions of de Jong (1989, JASA 84:1085) for the score and the information of all later
    readings about the state, exact since innovations are linear in the state.

    Args:
        system: the model.
        predicted, predicted_cov: (n, d), (n, d, d) from `kalman.forward`.
        first: the first step of interest; rows before it stay zero.

    Returns:
        b (n, d), a (n, d).
    """
    n, r, d = system.transition.shape
    slope = np.zeros((n, d))
    curvature = np.zeros((n, d))
    score = np.zeros(d)
    information = np.zeros((d, d))
    half = np.empty((d, d))
    gain = np.empty(d)
    moved = np.empty(d)
    for i in range(n - 1, first - 1, -1):
        for a in range(d):
            slope[i, a] = score[a]
            curvature[i, a] = information[a, a]
        if system.observed[i]:
            innovation = system.reading[i] - system.intercept[i]
            spread = system.variance[i]
            for a in range(d):
                gain[a] = 0.0
                for b in range(d):
                    gain[a] += predicted_cov[i, a, b] * system.loading[i, b]
                innovation -= system.loading[i, a] * predicted[i, a]
                spread += system.loading[i, a] * gain[a]
            along = 0.0
            squared = 0.0
            for a in range(d):
                moved[a] = 0.0
                for b in range(d):
                    moved[a] += information[a, b] * gain[b]
                along += gain[a] * score[a]
                squared += gain[a] * moved[a]
            for a in range(d):
                score[a] += system.loading[i, a] * (innovation - along) / spread
                for b in range(d):
                    information[a, b] += (
                        (1.0 + squared / spread) * system.loading[i, a] * system.loading[i, b]
                        - system.loading[i, a] * moved[b]
                        - moved[a] * system.loading[i, b]
                    ) / spread
        for m in range(d):
            moved[m] = score[m] if m >= r else 0.0
            for a in range(r):
                moved[m] += system.transition[i, a, m] * score[a]
            for b in range(d):
                half[m, b] = information[m, b] if m >= r else 0.0
                for a in range(r):
                    half[m, b] += system.transition[i, a, m] * information[a, b]
        for m in range(d):
            score[m] = moved[m]
            for b in range(d):
                information[m, b] = half[m, b] if b >= r else 0.0
                for a in range(r):
                    information[m, b] += half[m, a] * system.transition[i, a, b]
    return slope, curvature


@njit(cache=True)
def shifted_log_likelihoods(system, at, deltas):  # type: ignore[no-untyped-def]
    """Log-likelihood where the readings at steps `at` come from a kit of e^δ times its gain.

    Args:
        system: the model.
        at: (m,) steps.
        deltas: (k,) values of δ.

    Returns:
        (k,).
    """
    values = np.empty(len(deltas))
    loading, intercept = system.loading.copy(), system.intercept.copy()
    for k in range(len(deltas)):
        factor = np.exp(deltas[k])
        for i in at:
            intercept[i] = factor * system.intercept[i]
            for a in range(loading.shape[1]):
                loading[i, a] = factor * system.loading[i, a]
        values[k] = forward(
            System(
                system.transition,
                system.offset,
                system.noise,
                loading,
                intercept,
                system.reading,
                system.variance,
                system.observed,
                system.mean,
                system.covariance,
            )
        )[0]
    return values


@njit(cache=True)
def _log_likelihood(theta, misread, frame):  # type: ignore[no-untyped-def]
    """Log-likelihood with the levels integrated out, at classes (m,)."""
    return forward(system_at(theta, misread, frame))[0]


@njit(cache=True)
def flip_classes(theta, misread, candidates, moves, frame):  # type: ignore[no-untyped-def]
    """Metropolis moves of the classes of few readings, levels integrated out.

    Two effluent readings that disagree can each be the misread one. Given the levels, which follow
    whichever is believed, the classes would hardly ever change places; so either two candidates
    swap their classes or one takes a class from the prior, and the move is judged by the likelihood
    without the levels.

    Args:
        theta: (q,) parameters.
        misread: (m,) classes.
        candidates: (c,) readings, c > 1.
        moves: (k, 3) uniform numbers: which reading, which other or which class, whether accepted.
        frame: the log.

    Returns:
        (m,) classes.
    """
    here = _log_likelihood(theta, misread, frame)
    for k in range(len(moves)):
        proposal = misread.copy()
        first = candidates[int(moves[k, 0] * len(candidates))]
        if k % 2 == 0:
            second = candidates[int(moves[k, 1] * len(candidates))]
            proposal[first], proposal[second] = misread[second], misread[first]
        else:
            below = 0.0
            for c in range(len(MISREAD_CHANCE)):
                if moves[k, 1] >= below:
                    proposal[first] = c
                below += MISREAD_CHANCE[c]
        same = True
        for candidate in candidates:
            same = same and proposal[candidate] == misread[candidate]
        if same:
            continue
        there = _log_likelihood(theta, proposal, frame)
        if np.log(moves[k, 2]) < there - here:
            misread, here = proposal, there
    return misread
