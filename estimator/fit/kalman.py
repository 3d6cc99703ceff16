"""Gaussian state-space likelihood with its exact gradient, and exact draws of the states.

The model, for steps i = 0 … n−1, each a move in time followed by at most one reading:

    x_i = T_i x_{i−1} + c_i + N(0, diag(Q_i)),   x_{−1} ~ N(m, P)
    y_i = h_i·x_i + b_i + N(0, R_i)              where a reading exists

Only the first r rows of T differ from the identity: the other states stand still or wander. The
log-likelihood comes from the Kalman filter, its gradient from the reverse sweep of the same
recursion (the adjoint of the mean is de Jong's r, that of the covariance ½(rr' − N)), and state
draws from the mean-corrected simulation smoother of Durbin & Koopman 2002 (Biometrika 89:603),
which needs no matrix inverse. Cost grows linearly with n.

Nothing here knows of tanks. Kernels are compiled once by numba and cached on disk; they index
whole arrays in plain loops, since views and small helpers made them four times slower to compile.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

LOG_2PI = float(np.log(2.0 * np.pi))


class System(NamedTuple):
    """The arrays of one state-space model.

    Shapes, with n steps, d states and r moving rows: transition (n, r, d), offset (n, r),
    noise (n, d), loading (n, d), intercept (n,), reading (n,), variance (n,), observed (n,) bool,
    mean (d,), covariance (d, d).
    """

    transition: np.ndarray
    offset: np.ndarray
    noise: np.ndarray
    loading: np.ndarray
    intercept: np.ndarray
    reading: np.ndarray
    variance: np.ndarray
    observed: np.ndarray
    mean: np.ndarray
    covariance: np.ndarray


class Adjoint(NamedTuple):
    """Derivatives of the log-likelihood by each array of a `System`, same shapes."""

    transition: np.ndarray
    offset: np.ndarray
    noise: np.ndarray
    loading: np.ndarray
    intercept: np.ndarray
    variance: np.ndarray


def compile_filter() -> None:
    """Compile what a fit runs on a `System`, by running it once on a made-up one."""
    none, one = np.zeros((1, 1)), np.ones(1)
    system = System(
        transition=np.zeros((1, 1, 1)),
        offset=none,
        noise=none,
        loading=none,
        intercept=one,
        reading=one,
        variance=one,
        observed=np.ones(1, dtype=np.bool_),
        mean=one,
        covariance=none,
    )
    log_likelihood_and_adjoint(system)
    _, predicted, _, predicted_cov, _ = forward(system)
    draw_states(system, none, np.zeros((2, 2)))
    step_response(system, predicted, predicted_cov, 0)


@njit(cache=True)
def forward(system):  # type: ignore[no-untyped-def]
    """Kalman filter.

    Returns:
        (log-likelihood, predicted means (n, d), filtered means (n + 1, d), predicted covariances
        (n, d, d), filtered covariances (n + 1, d, d)); filtered rows start with the prior.
    """
    n, r, d = system.transition.shape
    predicted = np.empty((n, d))
    filtered = np.empty((n + 1, d))
    predicted_cov = np.empty((n, d, d))
    filtered_cov = np.empty((n + 1, d, d))
    for a in range(d):
        filtered[0, a] = system.mean[a]
        for b in range(d):
            filtered_cov[0, a, b] = system.covariance[a, b]
    half = np.empty((r, d))
    gain = np.empty(d)
    log_likelihood = 0.0
    for i in range(n):
        for a in range(d):
            total = filtered[i, a]
            if a < r:
                total = system.offset[i, a]
                for m in range(d):
                    total += system.transition[i, a, m] * filtered[i, m]
            predicted[i, a] = total
        for a in range(r):
            for b in range(d):
                half[a, b] = 0.0
            for m in range(d):
                factor = system.transition[i, a, m]
                for b in range(d):
                    half[a, b] += factor * filtered_cov[i, m, b]
        for a in range(d):
            for b in range(a + 1):
                if b >= r:
                    total = filtered_cov[i, a, b]
                elif a >= r:
                    total = half[b, a]
                else:
                    total = 0.0
                    for m in range(d):
                        total += half[a, m] * system.transition[i, b, m]
                predicted_cov[i, a, b] = total
                predicted_cov[i, b, a] = total
            predicted_cov[i, a, a] += system.noise[i, a]
        if not system.observed[i]:
            for a in range(d):
                filtered[i + 1, a] = predicted[i, a]
                for b in range(d):
                    filtered_cov[i + 1, a, b] = predicted_cov[i, a, b]
            continue
        innovation = system.reading[i] - system.intercept[i]
        spread = system.variance[i]
        for a in range(d):
            gain[a] = 0.0
            for b in range(d):
                gain[a] += predicted_cov[i, a, b] * system.loading[i, b]
            innovation -= system.loading[i, a] * predicted[i, a]
            spread += system.loading[i, a] * gain[a]
        log_likelihood -= 0.5 * (LOG_2PI + np.log(spread) + innovation * innovation / spread)
        for a in range(d):
            share = gain[a] / spread
            filtered[i + 1, a] = predicted[i, a] + share * innovation
            for b in range(d):
                filtered_cov[i + 1, a, b] = predicted_cov[i, a, b] - share * gain[b]
    return log_likelihood, predicted, filtered, predicted_cov, filtered_cov


@njit(cache=True)
def log_likelihood_and_adjoint(system):  # type: ignore[no-untyped-def]
    """Log-likelihood and its derivative by every array of `system`.

    Returns:
        (scalar, Adjoint).
    """
    n, r, d = system.transition.shape
    log_likelihood, predicted, filtered, predicted_cov, filtered_cov = forward(system)
    adjoint = Adjoint(
        np.zeros((n, r, d)),
        np.zeros((n, r)),
        np.zeros((n, d)),
        np.zeros((n, d)),
        np.zeros(n),
        np.zeros(n),
    )
    bar = np.zeros(d)  # adjoint of the filtered mean
    cov_bar = np.zeros((d, d))  # adjoint of the filtered covariance, symmetric
    gain = np.empty(d)
    gain_bar = np.empty(d)
    before = np.empty(d)
    moved = np.empty((d, d))  # cov_bar T
    for i in range(n - 1, -1, -1):
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
                total = 0.0
                for b in range(d):
                    total += cov_bar[a, b] * gain[b]
                along += bar[a] * gain[a]
                squared += gain[a] * total
                gain_bar[a] = (bar[a] * innovation - 2.0 * total) / spread
            innovation_bar = (along - innovation) / spread
            spread_bar = (
                squared - along * innovation + 0.5 * innovation * innovation
            ) / spread**2 - 0.5 / spread
            for a in range(d):
                gain_bar[a] += spread_bar * system.loading[i, a]
            for a in range(d):
                total = spread_bar * gain[a] - innovation_bar * predicted[i, a]
                for b in range(d):
                    total += predicted_cov[i, a, b] * gain_bar[b]
                    cov_bar[a, b] += 0.5 * (
                        gain_bar[a] * system.loading[i, b] + system.loading[i, a] * gain_bar[b]
                    )
                adjoint.loading[i, a] = total
                bar[a] -= innovation_bar * system.loading[i, a]
            adjoint.intercept[i] = -innovation_bar
            adjoint.variance[i] = spread_bar
        for a in range(d):
            adjoint.noise[i, a] = cov_bar[a, a]
            for m in range(d):
                moved[a, m] = cov_bar[a, m] if m >= r else 0.0
            for b in range(r):
                factor = cov_bar[a, b]
                for m in range(d):
                    moved[a, m] += factor * system.transition[i, b, m]
        for a in range(r):
            adjoint.offset[i, a] = bar[a]
            for m in range(d):
                adjoint.transition[i, a, m] = bar[a] * filtered[i, m]
            for b in range(d):
                factor = 2.0 * moved[a, b]
                for m in range(d):
                    adjoint.transition[i, a, m] += factor * filtered_cov[i, b, m]
        for m in range(d):
            before[m] = bar[m] if m >= r else 0.0
            for a in range(r):
                before[m] += system.transition[i, a, m] * bar[a]
            for b in range(d):
                cov_bar[m, b] = moved[m, b] if m >= r else 0.0
            for a in range(r):
                factor = system.transition[i, a, m]
                for b in range(d):
                    cov_bar[m, b] += factor * moved[a, b]
        for m in range(d):
            bar[m] = before[m]
    return log_likelihood, adjoint


@njit(cache=True)
def step_response(system, predicted, predicted_cov, first):  # type: ignore[no-untyped-def]
    """How the log-likelihood answers a shift δ of one state just after one step: b δ − a δ²/2.

    The recursions of de Jong (1989, JASA 84:1085) for the score and the information of all later
    readings about the state, exact since innovations are linear in the state.

    Args:
        system: the model.
        predicted, predicted_cov: (n, d), (n, d, d) from `forward`.
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
def joint_prediction(system, at, loading, intercept):  # type: ignore[no-untyped-def]
    """Joint normal of linear functionals of the states, given all readings.

    Args:
        system: the model.
        at: (k,) step after which each functional is taken, in ascending order, none before the last
            reading.
        loading, intercept: (k, d), (k,) of the functionals.

    Returns:
        mean (k,), covariance (k, k).
    """
    _, r, d = system.transition.shape
    _, _, filtered, _, filtered_cov = forward(system)
    k = len(at)
    mean = np.empty(k)
    covariance = np.zeros((k, k))
    along = np.empty(d)
    moved = np.empty(d)
    for j in range(k):
        mean[j] = intercept[j]
        for a in range(d):
            mean[j] += loading[j, a] * filtered[at[j] + 1, a]
            along[a] = 0.0
            for b in range(d):
                along[a] += filtered_cov[at[j] + 1, a, b] * loading[j, b]
        # Carry cov(x_i, f_j) on to the later steps.
        i = at[j]
        for m in range(j, k):
            while i < at[m]:
                i += 1
                for a in range(r):
                    moved[a] = 0.0
                    for b in range(d):
                        moved[a] += system.transition[i, a, b] * along[b]
                for a in range(r):
                    along[a] = moved[a]
            for a in range(d):
                covariance[j, m] += loading[m, a] * along[a]
            covariance[m, j] = covariance[j, m]
    return mean, covariance


@njit(cache=True)
def draw_states(system, root, normals):  # type: ignore[no-untyped-def]
    """One exact draw of all states given all readings.

    A path and its readings are imagined from the model; the smoother, linear in the readings, then
    corrects the path by what the true readings say beyond the imagined ones.

    Args:
        system: the model.
        root: (d, d) with root root' = system.covariance.
        normals: (n + 1, d + 1) standard normal numbers; the draw is a pure function of them, and
            zeros give the smoothed mean.

    Returns:
        (n, d) states after each step.
    """
    n, r, d = system.transition.shape
    predicted_cov = forward(system)[3]
    path = np.empty((n, d))
    state = np.empty(d)
    moved = np.empty(d)
    for a in range(d):
        state[a] = system.mean[a]
        for b in range(d):
            state[a] += root[a, b] * normals[n, b]
    # Imagined states and readings, and the filter of the readings' surplus over them.
    surplus = np.zeros((n, d))
    mean = np.zeros(d)
    gains = np.zeros((n, d))
    innovations = np.zeros(n)
    spreads = np.ones(n)
    for i in range(n):
        for a in range(d):
            moved[a] = state[a]
            surplus[i, a] = mean[a]
            if a < r:
                moved[a] = system.offset[i, a]
                surplus[i, a] = 0.0
                for m in range(d):
                    moved[a] += system.transition[i, a, m] * state[m]
                    surplus[i, a] += system.transition[i, a, m] * mean[m]
        for a in range(d):
            state[a] = moved[a] + np.sqrt(system.noise[i, a]) * normals[i, a]
            path[i, a] = state[a]
            mean[a] = surplus[i, a]
        if system.observed[i]:
            innovation = (
                system.reading[i]
                - system.intercept[i]
                - np.sqrt(system.variance[i]) * normals[i, d]
            )
            spread = system.variance[i]
            for a in range(d):
                for b in range(d):
                    gains[i, a] += predicted_cov[i, a, b] * system.loading[i, b]
                innovation -= system.loading[i, a] * (state[a] + mean[a])
                spread += system.loading[i, a] * gains[i, a]
            for a in range(d):
                mean[a] += gains[i, a] * innovation / spread
            innovations[i] = innovation
            spreads[i] = spread
    # Backward: the adjoint of the mean is all that later readings add.
    bar = np.zeros(d)
    for i in range(n - 1, -1, -1):
        if system.observed[i]:
            pull = innovations[i]
            for a in range(d):
                pull -= gains[i, a] * bar[a]
            for a in range(d):
                bar[a] += pull / spreads[i] * system.loading[i, a]
        for a in range(d):
            path[i, a] += surplus[i, a]
            for b in range(d):
                path[i, a] += predicted_cov[i, a, b] * bar[b]
        for m in range(d):
            moved[m] = bar[m] if m >= r else 0.0
            for a in range(r):
                moved[m] += system.transition[i, a, m] * bar[a]
        for m in range(d):
            bar[m] = moved[m]
    return path
