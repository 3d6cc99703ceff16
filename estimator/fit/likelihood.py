"""The likelihood of a log with every level and uptake path integrated out, compiled.

Kit errors: each reading belongs to a class, an ordinary one or one whose error sd is 4, 16 or 64
times larger, which keeps heavy tails exact; given the classes everything is Gaussian. At most one
of the candidates of `jumps` has happened; given which, everything is Gaussian, too.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numba import njit

from estimator.fit.kalman import (
    System,
    compile_filter,
    draw_states,
    forward,
    log_likelihood_and_adjoint,
    step_response,
)
from estimator.fit.layout import (
    DRIFT,
    EFFLUENT_DRIFT,
    LOAD_SHARE,
    SATURATED_INCREMENT,
    UNLOGGED_CALCIUM,
)
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

    A second process can do the rest beside it (`compile_draws`): compiled code is shared through
    numba's cache on disk, and on a machine's first run this saves seconds.
    """
    frame, z = problem.frame, np.zeros(problem.priors.size)
    readings = len(problem.schedule.readings)
    # First, since the other process waits for it.
    system_of(problem.priors.natural(z), np.ones(len(frame.steps)), 0, frame)
    density_and_gradient(z, np.ones(readings), 0, frame)


def compile_draws(problem: Problem) -> None:
    """Compile what draws levels, classes and jumps, by running it once on this log.

    It begins with what needs no system, so that each of two processes finds on disk what the other
    has done (`compile_density`).
    """
    compile_filter()
    frame, size, kits = problem.frame, problem.priors.size, len(problem.schedule.kits)
    theta = problem.priors.natural(np.zeros(size))
    readings = len(problem.schedule.readings)
    normals = np.zeros((len(frame.steps) + 1, frame.shape.size + 1))
    _, expected = draw_path_at(theta, np.ones(readings), 0, frame, normals)
    moves, ones = np.full((kits, 1), 0.5), np.ones(kits)
    classes = (ones, ones, MISREAD_CHANCE, MISREAD_SPREAD)
    uniform = (moves, moves, np.full(readings, 0.5))
    sweep_errors(np.zeros(size), expected, frame, *classes, *uniform)
    misread, some = np.zeros(readings, dtype=np.int64), np.zeros(2, dtype=np.int64)
    move_apart(np.zeros(size), misread, some, some, np.zeros((1, 4)), np.zeros(1), 0.5, frame)


@njit(cache=True)
def _by_step(spread, frame):  # type: ignore[no-untyped-def]
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
    by_step = _by_step(spread, frame)
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
    system = system_of(theta, _by_step(spread, frame), jump, frame)
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


@njit(cache=True)
def _log_mixture(residual, rounding, count, repeatability, chance, spread):  # type: ignore[no-untyped-def]
    """log Π_i Σ_c chance_c N(residual_i; 0, spread_c² (repeatability² + rounding_i)), i < count."""
    total = 0.0
    for i in range(count):
        variance = repeatability**2 + rounding[i]
        square = residual[i] ** 2 / variance
        weight = 0.0
        for c in range(len(chance)):
            weight += chance[c] / spread[c] * np.exp(-0.5 * square / spread[c] ** 2)
        total += np.log(weight + 1e-300) - 0.5 * np.log(variance)
    return total


@njit(cache=True)
def sweep_errors(  # type: ignore[no-untyped-def]
    z, expected, frame, median, sd, chance, misread_spread, steps, accept, uniform
):
    """One Gibbs sweep over repeatabilities and classes, given one exact draw of the levels.

    Given the levels the residuals are known. Each kit's repeatability takes Metropolis moves with
    the classes summed out, small and large steps in turn; then the classes are drawn.

    Args:
        z: (p,) the last k places belong to the kits' repeatabilities.
        expected: (m,) readings that the drawn levels lead to (`draw_path_at`).
        frame: the log.
        median, sd: (k,) log-normal priors; chance, misread_spread: (c,) of each class.
        steps, accept: (k, moves) standard normal and uniform, for the moves.
        uniform: (m,) for the classes.

    Returns:
        New z (p,) and classes (m,).
    """
    count = len(expected)
    z = z.copy()
    misread = np.empty(count, dtype=np.int64)
    residual = np.empty(count)
    rounding = np.empty(count)
    for k in range(len(median)):
        found = 0
        for m in range(count):
            i = frame.reading_step[m]
            if frame.steps[i].kit == k:
                scatter = frame.steps[i].scatter
                residual[found] = (frame.steps[i].value - expected[m]) / scatter
                rounding[found] = frame.steps[i].rounding / scatter**2
                found += 1
        place = len(z) - len(median) + k
        here = z[place]
        repeat = median[k] * np.exp(sd[k] * here)
        weight = _log_mixture(residual, rounding, found, repeat, chance, misread_spread)
        weight -= 0.5 * here**2
        for j in range(steps.shape[1]):
            new = here + (1.5 if j % 2 else 0.4) * steps[k, j]
            repeat = median[k] * np.exp(sd[k] * new)
            there = _log_mixture(residual, rounding, found, repeat, chance, misread_spread)
            there -= 0.5 * new**2
            if np.log(accept[k, j]) < there - weight:
                here, weight = new, there
        z[place] = here
        repeat = median[k] * np.exp(sd[k] * here)
        found = 0
        for m in range(count):
            if frame.steps[frame.reading_step[m]].kit == k:
                square = residual[found] ** 2 / (repeat**2 + rounding[found])
                misread[m] = _pick_class(square, chance, misread_spread, uniform[m])
                found += 1
    return z, misread


@njit(cache=True)
def _pick_class(square, chance, misread_spread, uniform):  # type: ignore[no-untyped-def]
    """A class given a reading's squared residual in ordinary error variances (`class_chances`)."""
    last = len(chance) - 1
    weights = np.empty(last + 1)
    # Against the widest class, so that no reading is too far off for any of them.
    widest = square / misread_spread[last] ** 2
    total = 0.0
    for c in range(last + 1):
        spread = misread_spread[c]
        weights[c] = chance[c] / spread * np.exp(0.5 * (widest - square / spread**2))
        total += weights[c]
    below = 0.0
    for c in range(last):
        below += weights[c]
        if uniform * total < below:
            return c
    return last


def system_at(theta: np.ndarray, misread: np.ndarray, jump: int, frame: Frame) -> System:
    """The linear system of the log at parameters (p,), classes (m,) and a jump."""
    by_step = _by_step(MISREAD_SPREAD[misread], frame)
    found: System = system_of(theta, by_step, jump, frame)
    return found


@njit(cache=True, inline="always")
def weigh_jumps(theta, misread, frame):  # type: ignore[no-untyped-def]
    """Which jump: log of prior times likelihood of each candidate (c,), levels integrated out.

    A jump enters linearly, so that the log of the likelihood ratio is the parabola b δ − a δ²/2
    exactly (`kalman.step_response`), and ∫ exp(b δ − a δ²/2) N(δ; 0, v) dδ is closed:
    (1 + a v)^(−1/2) exp(b² v / (2(1 + a v))).
    """
    jumps = frame.jumps
    spread = np.empty(len(misread))
    for m in range(len(misread)):
        spread[m] = MISREAD_SPREAD[misread[m]]
    # A plain 0 would be a type of its own, for which all below is compiled once more.
    system = system_of(theta, _by_step(spread, frame), np.int64(0), frame)
    filtered = forward(system)
    weights = filtered.log_likelihood + jumps.log_prior
    if len(weights) > 1:
        first = jumps.step[1]
        for c in range(1, len(weights)):
            first = min(first, jumps.step[c])
        slope, curvature = step_response(system, filtered, first)
        for c in range(1, len(weights)):
            b = slope[jumps.step[c], jumps.state[c]]
            shrink = 1.0 + curvature[jumps.step[c], jumps.state[c]] * jumps.variance[c]
            weights[c] += 0.5 * b * b * jumps.variance[c] / shrink - 0.5 * np.log(shrink)
    return weights


@njit(cache=True)
def _log_sum(weights):  # type: ignore[no-untyped-def]
    top = weights[0]
    for c in range(1, len(weights)):
        top = max(top, weights[c])
    total = 0.0
    for c in range(len(weights)):
        total += np.exp(weights[c] - top)
    return top + np.log(total)


@njit(cache=True)
def move_apart(z, misread, effluent, every, moves, fresh, uniform, frame):  # type: ignore[no-untyped-def]
    """Metropolis moves between explanations that lie far apart, then a jump.

    Two readings that disagree can each be the misread one, or the effluent, say, has changed
    between them, at once or by fast drift, or answers to the flow. Given the levels, which follow
    whichever is believed, none would hardly ever give way. So the class of a reading is drawn
    anew, or two change places, and with it a drift, the scale of what nobody logged, or how near
    the chamber is to its limit, is drawn from its prior; the move is judged with levels and jump
    summed out.

    Args:
        z: (p,).
        misread: (m,) classes.
        effluent, every: readings of the effluent, and all; none, or one, are fine.
        moves: (k, 4) uniform numbers: which reading, which other, which class, whether accepted.
        fresh: (k,) standard normal, for what is drawn from its prior.
        uniform: for the jump.
        frame: the log.

    Returns:
        New z (p,), classes (m,) and jump.
    """
    z, misread = z.copy(), misread.copy()
    here, weights = -np.inf, np.zeros(len(frame.jumps.log_prior))
    classes = len(MISREAD_CHANCE)
    # The first, which moves nothing, weighs where it all begins: what weighs is compiled once.
    for k in range(-1, len(moves)):
        proposal, moved, prior = misread.copy(), z.copy(), 0.0
        kind = k % 4 if len(effluent) > 0 else 2
        changed = kind != 1
        if k < 0:
            kind = -1
        if kind == 0 or (kind == 2 and k % 4 == 0):
            moved[EFFLUENT_DRIFT] = fresh[k]
        elif kind == 2:
            moved[DRIFT if k < 4 else UNLOGGED_CALCIUM] = fresh[k]
        elif kind == 3:
            moved[LOAD_SHARE] = fresh[k]
        among = every if kind == 2 else effluent
        if kind >= 0 and len(among) > 0:
            first = among[int(moves[k, 0] * len(among))]
            second = among[int(moves[k, 1] * len(among))]
            if kind == 2:
                second = min(first + 1, len(misread) - 1)
            # Which kind of move must not hang on the classes, or there would be no way back.
            if kind == 1 or (kind == 2 and moves[k, 1] < 0.5):
                proposal[first], proposal[second] = misread[second], misread[first]
                changed = changed or misread[first] != misread[second]
            else:
                proposal[first] = int(moves[k, 2] * classes)
                prior = np.log(MISREAD_CHANCE[proposal[first]] / MISREAD_CHANCE[misread[first]])
        if not changed:
            continue
        there = weigh_jumps(natural_at(moved, frame.arrays), proposal, frame)
        total = _log_sum(there)
        if k < 0 or np.log(moves[k, 3]) < total - here + prior:
            z, misread, weights, here = moved, proposal, there, total
    below = 0.0
    for c in range(len(weights)):
        below += np.exp(weights[c] - here)
        if uniform < below:
            return z, misread, c
    return z, misread, 0
