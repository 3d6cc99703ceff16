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
whole arrays in plain loops. They pass over the zeros, of which transitions and loadings are full,
and inner loops run along rows, where a processor takes several numbers at a time. No array is
assigned to a part of another, nor one compared with another as a whole, and few of NumPy's
functions are called: what numba compiles for those, down to the text of an error, takes seconds.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from estimator.kernels import kernel, part

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
    """Derivatives of the log-likelihood by each array of a `System`, same shapes.

    Zero where a transition or a loading is zero: what never is anything else needs none.
    """

    transition: np.ndarray
    offset: np.ndarray
    noise: np.ndarray
    loading: np.ndarray
    intercept: np.ndarray
    variance: np.ndarray


def compile_filter() -> None:
    """Compile what moves apart run on a `System`, by running it once on a made-up one."""
    none, one = np.zeros((1, 1)), np.ones(1)
    still, seen = np.zeros((1, 1, 1)), np.ones(1, dtype=np.bool_)
    system = System(still, none, none, none, one, one, one, seen, one, none)
    step_response(system, forward(system), 0)


class Filtered(NamedTuple):
    """What the Kalman filter found.

    Attributes:
        log_likelihood: of all readings.
        mean, covariance: (n + 1, d), (n + 1, d, d) of the states after each step and its reading;
            the first are the prior's.
        innovation, spread: (n,) what each reading shows beyond its prediction, and the variance of
            that; zeros where there is no reading.
        gain: (n, d) covariance of the states with that reading, before it; zeros where there is
            none.
    """

    log_likelihood: float
    mean: np.ndarray
    covariance: np.ndarray
    innovation: np.ndarray
    spread: np.ndarray
    gain: np.ndarray


@kernel
def forward(system):  # type: ignore[no-untyped-def]
    """Kalman filter; returns `Filtered`."""
    n, r, d = system.transition.shape
    mean = np.empty((n + 1, d))
    covariance = np.empty((n + 1, d, d))
    for a in range(d):
        mean[0, a] = system.mean[a]
        for b in range(d):
            covariance[0, a, b] = system.covariance[a, b]
    innovations, spreads, gain = np.zeros(n), np.zeros(n), np.zeros((n, d))
    half = np.empty((r, d))  # moving rows of T C
    log_likelihood = 0.0
    for i in range(n):
        for a in range(r, d):
            mean[i + 1, a] = mean[i, a]
            for b in range(d):
                covariance[i + 1, a, b] = covariance[i, a, b]
        half[:] = 0.0
        for a in range(r):
            total = system.offset[i, a]
            for m in range(d):
                factor = system.transition[i, a, m]
                if factor != 0.0:
                    total += factor * mean[i, m]
                    for b in range(d):
                        half[a, b] += factor * covariance[i, m, b]
            mean[i + 1, a] = total
            for b in range(r, d):
                covariance[i + 1, a, b] = half[a, b]
                covariance[i + 1, b, a] = half[a, b]
        for a in range(r):
            for b in range(a + 1):
                total = 0.0
                for m in range(d):
                    total += half[a, m] * system.transition[i, b, m]
                covariance[i + 1, a, b] = total
                covariance[i + 1, b, a] = total
        for a in range(d):
            covariance[i + 1, a, a] += system.noise[i, a]
        if not system.observed[i]:
            continue
        innovation = system.reading[i] - system.intercept[i]
        spread = system.variance[i]
        for b in range(d):
            factor = system.loading[i, b]
            if factor != 0.0:
                innovation -= factor * mean[i + 1, b]
                for a in range(d):
                    gain[i, a] += factor * covariance[i + 1, b, a]
        for a in range(d):
            spread += system.loading[i, a] * gain[i, a]
        log_likelihood -= 0.5 * (LOG_2PI + np.log(spread) + innovation * innovation / spread)
        for a in range(d):
            share = gain[i, a] / spread
            mean[i + 1, a] += share * innovation
            for b in range(d):
                covariance[i + 1, a, b] -= share * gain[i, b]
        innovations[i], spreads[i] = innovation, spread
    return Filtered(log_likelihood, mean, covariance, innovations, spreads, gain)


@kernel
def _pull_symmetric(transition, whole, pulled, rest, i):  # type: ignore[no-untyped-def]
    """T' C T of step i in the place of the symmetric C = `whole` (d, d).

    Leaves the moving rows of C T in `pulled` (r, d); `rest` (r, d) is for work. With R the moving
    rows of T: T' C T = R' (C T)_r, and the other states add what stands in their rows of C T.
    """
    r, d = pulled.shape
    for a in range(r):
        for m in range(d):
            rest[a, m] = whole[a, m] if m >= r else 0.0
            pulled[a, m] = rest[a, m]
        for b in range(r):
            factor = whole[a, b]
            for m in range(d):
                pulled[a, m] += factor * transition[i, b, m]
    for a in range(r):
        for m in range(d):
            whole[a, m] = 0.0
            whole[m, a] = 0.0
    for a in range(r):
        for m in range(d):
            factor = transition[i, a, m]
            if factor != 0.0:
                for b in range(d):
                    whole[m, b] += factor * pulled[a, b]
                for b in range(r, d):
                    whole[b, m] += factor * rest[a, b]


@kernel
def _pull_vector(transition, along, kept, i):  # type: ignore[no-untyped-def]
    """T' v of step i in the place of v = `along` (d,); `kept` (d,) is for work."""
    _, r, d = transition.shape
    for a in range(r):
        kept[a] = along[a]
        along[a] = 0.0
    for a in range(r):
        for m in range(d):
            along[m] += transition[i, a, m] * kept[a]


@part
def log_likelihood_and_adjoint(system):  # type: ignore[no-untyped-def]
    """Log-likelihood and its derivative by every array of `system`.

    Returns:
        (scalar, Adjoint).
    """
    n, r, d = system.transition.shape
    log_likelihood, mean, covariance, innovations, spreads, gain = forward(system)
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
    gain_bar = np.empty(d)
    kept = np.empty(d)
    pulled = np.empty((r, d))  # moving rows of cov_bar T
    rest = np.empty((r, d))
    for i in range(n - 1, -1, -1):
        if system.observed[i]:
            innovation, spread = innovations[i], spreads[i]
            along = squared = 0.0
            gain_bar[:] = 0.0
            for b in range(d):
                for a in range(d):
                    gain_bar[a] += cov_bar[b, a] * gain[i, b]
            for a in range(d):
                along += bar[a] * gain[i, a]
                squared += gain[i, a] * gain_bar[a]
            innovation_bar = (along - innovation) / spread
            spread_bar = (
                squared - along * innovation + 0.5 * innovation * innovation
            ) / spread**2 - 0.5 / spread
            shown = 0.0
            for a in range(d):
                gain_bar[a] = (bar[a] * innovation - 2.0 * gain_bar[a]) / spread
                gain_bar[a] += spread_bar * system.loading[i, a]
                shown += gain[i, a] * gain_bar[a]
            # By the mean and the covariance before the reading, which are those after it and what
            # the reading changed.
            shown = (shown + innovation_bar * innovation) / spread + spread_bar
            for a in range(d):
                factor = system.loading[i, a]
                if factor != 0.0:
                    total = shown * gain[i, a] - innovation_bar * mean[i + 1, a]
                    bar[a] -= innovation_bar * factor
                    for b in range(d):
                        total += covariance[i + 1, a, b] * gain_bar[b]
                        cov_bar[a, b] += 0.5 * factor * gain_bar[b]
                        cov_bar[b, a] += 0.5 * factor * gain_bar[b]
                    adjoint.loading[i, a] = total
            adjoint.intercept[i] = -innovation_bar
            adjoint.variance[i] = spread_bar
        for a in range(d):
            adjoint.noise[i, a] = cov_bar[a, a]
        _pull_symmetric(system.transition, cov_bar, pulled, rest, i)
        for a in range(r):
            adjoint.offset[i, a] = bar[a]
            for m in range(d):
                if system.transition[i, a, m] != 0.0:
                    total = 0.0
                    for b in range(d):
                        total += pulled[a, b] * covariance[i, m, b]
                    adjoint.transition[i, a, m] = bar[a] * mean[i, m] + 2.0 * total
        _pull_vector(system.transition, bar, kept, i)
    return log_likelihood, adjoint


@kernel
def step_response(system, filtered, first):  # type: ignore[no-untyped-def]
    """How the log-likelihood answers a shift δ of one state just after one step: b δ − a δ²/2.

    The recursions of de Jong (1989, JASA 84:1085) for the score and the information of all later
    readings about the state, exact since innovations are linear in the state.

    Args:
        system: the model.
        filtered: of `forward`.
        first: the first step of interest; rows before it stay zero.

    Returns:
        b (n, d), a (n, d).
    """
    n, r, d = system.transition.shape
    slope = np.zeros((n, d))
    curvature = np.zeros((n, d))
    score = np.zeros(d)
    information = np.zeros((d, d))
    gain = filtered.gain
    moved = np.empty(d)
    pulled = np.empty((r, d))
    rest = np.empty((r, d))
    for i in range(n - 1, first - 1, -1):
        for a in range(d):
            slope[i, a] = score[a]
            curvature[i, a] = information[a, a]
        if system.observed[i]:
            innovation, spread = filtered.innovation[i], filtered.spread[i]
            along = squared = 0.0
            moved[:] = 0.0
            for b in range(d):
                for a in range(d):
                    moved[a] += information[b, a] * gain[i, b]
            for a in range(d):
                along += gain[i, a] * score[a]
                squared += gain[i, a] * moved[a]
            # (1 + squared / spread) h h' − h moved' − moved h', all over spread.
            for a in range(d):
                moved[a] -= 0.5 * (1.0 + squared / spread) * system.loading[i, a]
            for a in range(d):
                factor = system.loading[i, a] / spread
                if factor != 0.0:
                    score[a] += factor * (innovation - along)
                    for b in range(d):
                        information[a, b] -= factor * moved[b]
                        information[b, a] -= factor * moved[b]
        _pull_symmetric(system.transition, information, pulled, rest, i)
        _pull_vector(system.transition, score, moved, i)
    return slope, curvature


@kernel
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
    filtered = forward(system)
    k = len(at)
    mean = np.empty(k)
    covariance = np.zeros((k, k))
    along = np.empty(d)
    moved = np.empty(d)
    for j in range(k):
        mean[j] = intercept[j]
        for a in range(d):
            mean[j] += loading[j, a] * filtered.mean[at[j] + 1, a]
            along[a] = 0.0
            for b in range(d):
                along[a] += filtered.covariance[at[j] + 1, a, b] * loading[j, b]
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


@part
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
    filtered = forward(system)
    gain, spread = filtered.gain, filtered.spread
    path = np.empty((n, d))
    state = np.empty(d)
    kept = np.empty(d)
    for a in range(d):
        state[a] = system.mean[a]
        for b in range(d):
            state[a] += root[a, b] * normals[n, b]
    # Imagined states and readings, and the filter of the readings' surplus over them.
    mean = np.zeros(d)
    before = np.empty(d)
    innovation = np.zeros(n)
    for i in range(n):
        for a in range(d):
            kept[a] = state[a]
            before[a] = mean[a]
        for a in range(r):
            state[a] = system.offset[i, a]
            mean[a] = 0.0
            for m in range(d):
                state[a] += system.transition[i, a, m] * kept[m]
                mean[a] += system.transition[i, a, m] * before[m]
        for a in range(d):
            state[a] += np.sqrt(system.noise[i, a]) * normals[i, a]
        if system.observed[i]:
            innovation[i] = (
                system.reading[i]
                - system.intercept[i]
                - np.sqrt(system.variance[i]) * normals[i, d]
            )
            for a in range(d):
                innovation[i] -= system.loading[i, a] * (state[a] + mean[a])
            for a in range(d):
                mean[a] += gain[i, a] * innovation[i] / spread[i]
        for a in range(d):
            path[i, a] = state[a] + mean[a]
    # Backward: the adjoint of the mean is all that later readings add.
    bar = np.zeros(d)
    for i in range(n - 1, -1, -1):
        for b in range(d):
            for a in range(d):
                path[i, a] += filtered.covariance[i + 1, b, a] * bar[b]
        if system.observed[i]:
            pull = innovation[i]
            for a in range(d):
                pull -= gain[i, a] * bar[a]
            for a in range(d):
                bar[a] += pull / spread[i] * system.loading[i, a]
        _pull_vector(system.transition, bar, kept, i)
    return path
