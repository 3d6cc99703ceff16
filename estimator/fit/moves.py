"""How the sampler moves what NUTS does not, or is slow to: compiled.

Classes of readings and repeatabilities given one draw of the levels (`sweep_errors`); explanations
that lie far apart, and the jump, with the levels integrated out (`move_apart`).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from estimator.fit.kalman import compile_filter, forward, step_response
from estimator.fit.layout import (
    CALCIUM_SHARE,
    DRIFT,
    EFFLUENT_DRIFT,
    LOAD_SHARE,
    UNLOGGED_CALCIUM,
)
from estimator.fit.likelihood import (
    MISREAD_CHANCE,
    MISREAD_SPREAD,
    bent,
    straight,
    system_of,
)
from estimator.fit.priors import natural_at
from estimator.fit.problem import Problem
from estimator.kernels import kernel, part

DRAWN, SWAPPED, EITHER, CALCIUM, ALL = range(5)
"""What a move apart does to classes: one is drawn anew, or two change places, or one of the two; or
nothing, while calcium that nobody logged and calcium's share, or all parameters, move together."""
NOTHING_NEW = -1
MOVES_APART = np.array(
    [
        (EFFLUENT_DRIFT, DRAWN),
        (NOTHING_NEW, SWAPPED),
        (DRIFT, EITHER),
        (LOAD_SHARE, DRAWN),
        (UNLOGGED_CALCIUM, EITHER),
        (1, CALCIUM),
        (0, CALCIUM),
        (1, ALL),
        (0, ALL),
    ]
)
"""What is drawn anew from its prior in each move (`move_apart`), and what becomes of classes; of
moves of calcium and of all, which of those below. Each costs half a gradient."""
CALCIUM_STEPS = ((1.0, 0.3), (0.6, 0.5))
"""How far the scale of calcium that nobody logged, and calcium's share, go towards new draws of
their priors: the share is the less known the larger that scale, which holds NUTS up."""
ALL_KEPT = (0.7, 0.0)
"""Part of the way from the mode that a move of all parameters keeps. They are far, and most are
taken, since the posterior is nearly normal in t; NUTS, which keeps its energy, is slow to learn
how wide it is."""


class Rough(NamedTuple):
    """A normal that is near the posterior of t, for moves of all parameters.

    Attributes:
        mode: (p,).
        root: (p, p) lower triangular, times its transpose the covariance.
        inverse: (p, p) of the root.
    """

    mode: np.ndarray
    root: np.ndarray
    inverse: np.ndarray


def rough_of(mode: np.ndarray, covariance: np.ndarray) -> Rough:
    """A `Rough` posterior by its mode (p,) and covariance (p, p)."""
    root = np.linalg.cholesky(covariance)
    # As the compiled code has them, row by row.
    return Rough(mode, np.ascontiguousarray(root), np.ascontiguousarray(np.linalg.inv(root)))


def compile_moves(problem: Problem) -> None:
    """Compile what stands here, by running it once on this log.

    It begins with what needs no system, so that each of two processes finds on disk what the other
    has done (`likelihood.compile_likelihood`), what that one needs first.
    """
    compile_filter()
    frame, size, kits = problem.frame, problem.priors.size, len(problem.schedule.kits)
    count = len(problem.schedule.readings)
    z = straight(bent(np.zeros(size), frame.ridge), frame.ridge)
    natural_at(z, frame.arrays)
    moves, ones = np.full((kits, 1), 0.5), np.ones(kits)
    chances = (ones, ones, MISREAD_CHANCE, MISREAD_SPREAD)
    sweep_errors(z, np.zeros(count), frame, *chances, moves, moves, np.full(count, 0.5))
    misread, some = np.zeros(count, dtype=np.int64), np.zeros(2, dtype=np.int64)
    uniform, fresh = np.zeros((1, 4)), np.zeros((1, size))
    start = (z, misread, some, some, MOVES_APART[:1], uniform, fresh, 0.5)
    move_apart(*start, rough_of(z, np.eye(size)), frame)


@kernel
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


@kernel
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
        found = np.int64(0)  # not a plain 0, which would be a type of its own
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


@part
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


@part
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
    system = system_of(theta, spread, np.int64(0), frame)
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


@part
def _log_sum(weights):  # type: ignore[no-untyped-def]
    top = weights[0]
    for c in range(1, len(weights)):
        top = max(top, weights[c])
    total = 0.0
    for c in range(len(weights)):
        total += np.exp(weights[c] - top)
    return top + np.log(total)


@part
def _move_all(z, kept, fresh, rough, frame):  # type: ignore[no-untyped-def]
    """All of z (p,) moved as a `Rough` posterior would have it, and the log of what the prior says
    for the move beyond that; `kept` of the way from the mode stays."""
    size = len(z)
    t = straight(z, frame.ridge)
    change = np.zeros(size)
    beyond = 0.0
    for a in range(size):
        away = 0.0
        for b in range(a + 1):
            away += rough.inverse[a, b] * (t[b] - rough.mode[b])
        new = kept * away + np.sqrt(1.0 - kept * kept) * fresh[a]
        beyond += 0.5 * (new * new - away * away)
        for b in range(a, size):
            change[b] += rough.root[b, a] * (new - away)
    moved = bent(t + change, frame.ridge)
    for a in range(size):
        beyond += 0.5 * (z[a] * z[a] - moved[a] * moved[a])
    return moved, beyond


@kernel
def move_apart(  # type: ignore[no-untyped-def]
    z, misread, effluent, every, kinds, moves, fresh, uniform, rough, frame
):
    """Metropolis moves between explanations that lie far apart, then a jump.

    Two readings that disagree can each be the misread one, or the effluent, say, has changed
    between them, at once or by fast drift, or answers to the flow. Given the levels, which follow
    whichever is believed, none would hardly ever give way. So the class of a reading is drawn
    anew, or two change places, and with it a drift, the scale of what nobody logged, or how near
    the chamber is to its limit, is drawn from its prior. Other moves leave classes alone and go far
    in the parameters. All are judged with levels and jump summed out.

    Args:
        z: (p,).
        misread: (m,) classes.
        effluent, every: readings of the effluent, and all; none, or one, are fine.
        kinds: (k, 2) as in `MOVES_APART`.
        moves: (k, 4) uniform numbers: which reading, which other, which class, whether accepted.
        fresh: (k, p) standard normal, for what is drawn anew.
        uniform: for the jump.
        rough: the `Rough` posterior.
        frame: the log.

    Returns:
        New z (p,), classes (m,) and jump.
    """
    z, misread = z.copy(), misread.copy()
    here, weights = -np.inf, np.zeros(len(frame.jumps.log_prior))
    # The first, which moves nothing, weighs where it all begins: what weighs is compiled once.
    for k in range(-1, len(kinds)):
        proposal, moved, prior = misread.copy(), z.copy(), 0.0
        changed = k < 0
        kind = kinds[k, 1] if k >= 0 else -1
        if kind == CALCIUM:
            changed = frame.shape.z >= 0
            supply, share = CALCIUM_STEPS[kinds[k, 0]]
            moved[UNLOGGED_CALCIUM] *= np.sqrt(1.0 - supply * supply)
            moved[UNLOGGED_CALCIUM] += supply * fresh[k, 0]
            moved[CALCIUM_SHARE] *= np.sqrt(1.0 - share * share)
            moved[CALCIUM_SHARE] += share * fresh[k, 1]
        elif kind == ALL:
            moved, prior = _move_all(z, ALL_KEPT[kinds[k, 0]], fresh[k], rough, frame)
            changed = True
        elif kind >= 0:
            if kinds[k, 0] != NOTHING_NEW:
                moved[kinds[k, 0]] = fresh[k, 0]
                changed = True
            either = kind == EITHER
            among = every if either else effluent
            if len(among) > 0:
                first = among[int(moves[k, 0] * len(among))]
                second = among[int(moves[k, 1] * len(among))]
                if either:
                    second = min(first + 1, len(misread) - 1)
                # Which kind of move must not hang on the classes, or there would be no way back.
                if kind == SWAPPED or (either and moves[k, 1] < 0.5):
                    proposal[first], proposal[second] = misread[second], misread[first]
                    changed = changed or misread[first] != misread[second]
                else:
                    proposal[first] = int(moves[k, 2] * len(MISREAD_CHANCE))
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
