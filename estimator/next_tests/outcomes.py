"""Knowledge after imagined readings: the first half of a preposterior analysis.

Knowledge after a reading is the mixture of `foresight`, each draw reweighted by how well it
foretold the reading and each normal conditioned on it. Nothing is fitted again. In the conditioning
rounding counts as noise of variance step²/12, and the outlier class of each reading as known, as it
mostly is; refitting (`tests/recovery/test_value_of_tests.py`) bears this out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from estimator.kernels import kernel, part
from estimator.next_tests.foresight import Foresight


@dataclass(frozen=True)
class Outcomes:
    """Knowledge after each imagined outcome of one set of tests: a weighted sample.

    Attributes:
        weights: (i, s) of the draws, each row adding up to 1.
        states: (i, s, t) one draw of the states per draw and outcome.
        mean: (i, s, t) mean of the states given draw and outcome.
        flow_sd: (i, s) sd of log needed flow given draw and outcome, to first order.
    """

    weights: np.ndarray
    states: np.ndarray
    mean: np.ndarray
    flow_sd: np.ndarray

    @property
    def effective(self) -> np.ndarray:
        """(i,) effective number of draws behind each outcome, 1/Σw² (Kish 1965)."""
        return 1.0 / np.sum(self.weights**2, axis=1)


def show(foresight: Foresight, chosen: Sequence[int]) -> tuple[np.ndarray, np.ndarray]:
    """What the kits show for the chosen readings in every imagined outcome.

    Args:
        foresight: what could be read.
        chosen: (r) indices of its readings; one that is taken n times comes n times.

    Returns:
        values shown (i, r), and the factor on the sd of each error by its outlier class (i, r).
    """
    rows = np.array(chosen, dtype=np.int64)
    repeat = np.array([np.sum(rows[:place] == row) for place, row in enumerate(rows)], dtype=int)
    # The compiled code is for arrays in C order.
    spreads = np.ascontiguousarray(foresight.spreads[:, rows, repeat])
    sd = spreads * foresight.scatter_sd[foresight.picks][:, rows]
    step = np.maximum(foresight.step[rows], 1e-12)
    exact = foresight.truth[:, rows] + sd * foresight.errors[:, rows, repeat]
    return np.ascontiguousarray(np.round(exact / step) * step), spreads


def outcomes_of(
    foresight: Foresight, chosen: Sequence[int], volume_test_sd: float | None = None
) -> Outcomes:
    """Knowledge after the chosen readings, for every imagined outcome.

    Args:
        foresight, chosen: as in `show`.
        volume_test_sd: sd of the log of a measurement of the water volume, if there is one.
    """
    picks = foresight.picks
    log_weight, mean, drawn, flow_sd = _condition(foresight, chosen, *show(foresight, chosen))
    if volume_test_sd is not None:
        log_volume = np.log(foresight.present.volume_l)
        measured = log_volume[picks] + volume_test_sd * foresight.volume_errors
        log_weight -= 0.5 * ((measured[:, None] - log_volume) / volume_test_sd) ** 2
    if len(foresight.mean) > 1:
        # The draw that an outcome was imagined from would know it too well.
        log_weight[np.arange(len(picks)), picks] = -np.inf
    weights = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    return Outcomes(weights / weights.sum(axis=1, keepdims=True), drawn, mean, flow_sd)


def before_tests(foresight: Foresight) -> Outcomes:
    """Knowledge as it stands, as one outcome of no tests."""
    none = np.zeros((1, 0))
    _, mean, drawn, flow_sd = _condition(foresight, [], none, none)
    return Outcomes(np.full(flow_sd.shape, 1.0 / flow_sd.shape[1]), drawn, mean, flow_sd)


def _condition(
    foresight: Foresight, chosen: Sequence[int], values: np.ndarray, spreads: np.ndarray
) -> tuple[np.ndarray, ...]:
    states = foresight.states
    return condition(
        foresight.mean,
        foresight.covariance,
        foresight.variance,
        np.array(chosen, dtype=np.int64),
        np.arange(states.start, states.stop),
        values,
        spreads,
        foresight.normals,
        foresight.flow_slope,
    )


def condition(
    mean: np.ndarray,
    covariance: np.ndarray,
    variance: np.ndarray,
    rows: np.ndarray,
    states: np.ndarray,
    shown: np.ndarray,
    spreads: np.ndarray,
    normals: np.ndarray,
    flow_slope: np.ndarray,
) -> tuple[np.ndarray, ...]:
    """Condition every draw's normal on every imagined outcome.

    Args:
        mean, covariance: (s, k + t), (s, k + t, k + t).
        variance: (s, k) of ordinary errors.
        rows: (r,) readings taken.
        states: (t,) places of the states.
        shown: (i, r) what the kits show.
        spreads: (i, r) factor on each error's sd, at least 1.
        normals, flow_slope: (s, t), see `Foresight`.

    Returns:
        log density of each outcome under each draw (i, s), mean and draw of the states (i, s, t),
        sd of log needed flow (i, s).
    """
    # Outcomes whose errors are as wide share one root for each draw; ordinary ones come first.
    ordinary = np.ones((1, len(rows)))
    patterns, pattern = np.unique(np.concatenate((ordinary, spreads)), axis=0, return_inverse=True)
    found: tuple[np.ndarray, ...] = condition_kernel(
        mean,
        covariance,
        variance,
        rows,
        states,
        shown,
        patterns,
        np.ravel(pattern)[1:],
        normals,
        flow_slope,
    )
    return found


@kernel
def condition_kernel(  # type: ignore[no-untyped-def]
    mean, covariance, variance, rows, states, shown, patterns, pattern, normals, flow_slope
):
    """See `condition`; patterns (q, r) of spreads, the first of ordinary ones, and that of each
    outcome (i,)."""
    count, outcomes = len(mean), len(shown)
    r, t = len(rows), len(states)
    log_density = np.empty((outcomes, count))
    centre = np.empty((outcomes, count, t))
    drawn = np.empty((outcomes, count, t))
    flow_sd = np.empty((outcomes, count))
    roots = np.zeros((2, count, r + t, r + t))
    sd, size = np.empty((2, count)), np.empty((2, count))
    places = np.concatenate((rows, states))
    ahead = np.zeros(r)
    for p in range(len(patterns)):
        # What comes before a pattern's first odd error is as with ordinary ones.
        first, at = _first_odd(patterns[p]) if p > 0 else 0, min(p, 1)
        for s in range(count):
            root = roots[at, s]
            for a in range(first):
                for b in range(a + 1):
                    root[a, b] = roots[0, s, a, b]
            _joint_root(root, covariance[s], variance[s], places, patterns[p], first)
            sd[at, s] = _sd_along(flow_slope[s], root[r:, r:])
            size[at, s] = _log_size(root, r)
        for i in range(outcomes):
            if pattern[i] != p:
                continue
            for s in range(count):
                root = roots[at, s]
                flow_sd[i, s] = sd[at, s]
                density = -size[at, s]
                for a in range(r):
                    total = shown[i, a] - mean[s, rows[a]]
                    for m in range(a):
                        total -= root[a, m] * ahead[m]
                    ahead[a] = total / root[a, a]
                    density -= 0.5 * ahead[a] ** 2
                log_density[i, s] = density
                for a in range(t):
                    total = mean[s, states[a]]
                    for m in range(r):
                        total += root[r + a, m] * ahead[m]
                    centre[i, s, a] = total
                    for m in range(a + 1):
                        total += root[r + a, r + m] * normals[s, m]
                    drawn[i, s, a] = total
    return log_density, centre, drawn, flow_sd


@part
def _joint_root(root, covariance, variance, places, spreads, first):  # type: ignore[no-untyped-def]
    """Put the Cholesky root of the covariance of readings and states into `root`, in place.

    Rows before `first` are there already.

    Args:
        root: (r + t, r + t), lower triangle.
        covariance: (k + t, k + t) of one draw.
        variance: (k,) of ordinary errors.
        places: (r + t,) of the readings and states in `covariance`.
        spreads: (r,) factor on each error's sd.
    """
    for a in range(first, len(places)):
        for b in range(a + 1):
            total = covariance[places[a], places[b]]
            if a == b:
                noisy = a < len(spreads)
                total += variance[places[a]] * spreads[a] ** 2 if noisy else 1e-14
            for m in range(b):
                total -= root[a, m] * root[b, m]
            if a == b:
                root[a, a] = np.sqrt(max(total, 1e-18))
            else:
                root[a, b] = total / root[b, b]


@part
def _first_odd(spreads):  # type: ignore[no-untyped-def]
    """The first of some readings (r,) whose error is no ordinary one; r where none is."""
    for a in range(len(spreads)):
        if spreads[a] != 1.0:
            return a
    return len(spreads)


@part
def _log_size(root, r):  # type: ignore[no-untyped-def]
    """Log of the determinant of the first r rows."""
    total = 0.0
    for a in range(r):
        total += np.log(root[a, a])
    return total


@part
def _sd_along(slope, root):  # type: ignore[no-untyped-def]
    """Sd of slope (t,) · states, whose covariance has the Cholesky root (t, t)."""
    total = 0.0
    for m in range(len(slope)):
        along = 0.0
        for a in range(m, len(slope)):
            along += slope[a] * root[a, m]
        total += along**2
    return np.sqrt(total)
