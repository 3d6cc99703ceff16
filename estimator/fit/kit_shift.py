"""Has a kit shifted in the last fortnight?

A kit's calibration multiplies levels, so that no filter integrates its shift out. For each kit
there is one model more: in place of a jump (`jumps`) one shift, of unknown size δ ~ N(0, sd²), as
one of the last days begins, each of them as likely. Its Bayes factor needs no further fit. It is
the mean, over draws θ from the posterior of the fitted model and over days t, of

    ∫ p(readings | θ, δ, t, no jump) N(δ; 0, sd²) dδ / p(readings | θ),

the denominator summed over the jumps, the integral taken by Gauss-Hermite quadrature about the
mode of a parabola b δ − a δ²/2 (Liu & Pierce 1994, Biometrika 81:624); given all else δ is nearly
normal, and the normal's mass on either side of 0 splits each model into up and down.

One parameter is not left to the draws: the speed of the slow drift that a sudden shift is mistaken
for. A model without shifts explains one by fast drift, so that its draws hardly hold the slow drift
that goes with a shift, and the mean would rest on a few of them. Numerator and denominator are both
integrated over that drift, on nodes of its prior, given the other parameters of each draw, which
leaves the mean over these exact.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr, logsumexp

from estimator.fit.change import DIRECTIONS, Change, gaussian_evidence, half_normal_size
from estimator.fit.fitting import Fit
from estimator.fit.kalman import System, forward
from estimator.fit.layout import DRIFT
from estimator.fit.likelihood import shifted_log_likelihoods, system_at, weigh_jumps
from estimator.fit.problem import Problem
from estimator.fit.sampling import Trace, thinned
from estimator.fit.schedule import Schedule
from estimator.inputs.parameters import ALKALINITY

KIT_WINDOW_DAYS = 14
"""How far back a kit's shift is looked for."""
KIT_CHANCE = 0.05
"""Prior chance of a kit's shift in that time, either way (common practice, no source)."""
KIT_SHIFT_SD = 0.05
"""Relative shift of a kit's calibration (common practice, no source)."""
WATCHED_DRAWS = 120
"""Draws looked at, evenly spaced."""
MOST_SHIFT = 10 * KIT_SHIFT_SD
"""No shift larger than this is looked at: wild readings draw the parabola's mode to where e^δ is no
number any more."""
LEAST_SD = 1e-3 * KIT_SHIFT_SD
"""Where one node of the quadrature has all the weight it cannot tell how narrow the shift's normal
is; 0 would leave its mass on either side of 0 undefined."""
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(3)
_DRIFT_NODES = np.linspace(-2.4, 3.2, 8)
"""Standard normal scores of the drift: 0.8 apart, a trapezoid sum errs by 0.1 % where the readings
narrow the score to sd 0.5. An unmodelled step looks like fast drift, hence the longer upper end."""
_LOG_DRIFT_WEIGHTS = -0.5 * _DRIFT_NODES**2 - logsumexp(-0.5 * _DRIFT_NODES**2)
Draw = tuple[np.ndarray, np.ndarray]
"""One draw of the fit: the parameter vector (p,) and the classes of the readings (m,)."""


@dataclass(frozen=True)
class Suspect:
    """A kit that may have shifted at a midnight of the window.

    Attributes:
        of: the kit.
        judge: what the readings say of its shift, see `Judge`.
    """

    of: str
    judge: Judge


@dataclass(frozen=True)
class StepEvidence:
    """What the readings say of one suspect, for each draw, drift and day (s, k, t).

    log_ratio: log of the likelihood with a shift and no jump times the prior of the drift, over the
    likelihood without one integrated over drift and jump: its exponentials summed over k are the
    likelihood ratio.
    mean, sd: of δ.
    """

    log_ratio: np.ndarray
    mean: np.ndarray
    sd: np.ndarray


class _Filter:
    """A system filtered once, from which every shorter log that begins later follows."""

    def __init__(self, system: System) -> None:
        self.system = system
        self.log_likelihood, self.predicted, self.filtered, self.predicted_cov, self.covariance = (
            forward(system)
        )

    def after(self, step: int) -> System:
        """The system of all steps after `step`, given all readings up to it."""
        later = {name: getattr(self.system, name)[step + 1 :] for name in System._fields[:8]}
        start = {"mean": self.filtered[step + 1], "covariance": self.covariance[step + 1]}
        return System(**later, **start)


Judge = Callable[[_Filter], np.ndarray]
"""From the system at one draw and drift to (t, 3): of a step at each midnight the log likelihood
ratio integrated over δ, and mean and sd of δ."""


@dataclass(frozen=True)
class KitShifts:
    """The chances of a shift of each kit, against the fitted model.

    Attributes:
        changes: by kit and direction.
        prior: chance of any before the readings.
        draws: how many were looked at.
        effective_draws: how many the chances rest on, (Σw)² / Σw² over each draw's weight.
    """

    changes: tuple[Change, ...]
    prior: float
    draws: int
    effective_draws: float


def kit_shifts(fitted: Fit, days: int) -> KitShifts:
    """What the readings say of each kit; `days`: of the window that `Change.by_day` speaks of."""
    midnights = fitted.schedule.day_step[-min(KIT_WINDOW_DAYS, days) :]
    suspects, draws = _suspects(fitted.schedule, midnights), _draws(fitted.trace)
    if not suspects:
        return KitShifts((), 0.0, len(draws), float(len(draws)))
    return _weigh(suspects, _evidence(fitted, draws, suspects), days, len(midnights))


def compile_kit_shifts(problem: Problem, trace: Trace) -> None:
    """Compile what weighs a kit's shift, by running it on made-up draws."""
    midnights = problem.schedule.day_step[-1:]
    if midnights[0] >= 0:
        suspects = _suspects(problem.schedule, midnights)
        _evidence(problem, _draws(trace), suspects)


def _draws(trace: Trace) -> list[Draw]:
    natural = trace.natural.reshape(-1, trace.natural.shape[-1])
    misread = trace.misread.reshape(len(natural), -1)
    return [(natural[s], misread[s]) for s in thinned(len(natural), WATCHED_DRAWS)]


def _suspects(schedule: Schedule, midnights: np.ndarray) -> list[Suspect]:
    """The kits that may have shifted at one of the midnights (t,), which are steps."""
    return [
        Suspect(name, _kit_judge(midnights, steps))
        for name, steps in _kit_readings(schedule, int(midnights[0])).items()
    ]


def _kit_readings(schedule: Schedule, since: int) -> dict[str, np.ndarray]:
    """By alkalinity kit used after step `since`: steps of the readings of its last bottle.

    A bottle opened within the window has its own calibration in the model, so only a shift that
    no `new_bottle` explains is asked for.
    """
    last = dict(schedule.bottles)  # the pairs stand in order of bottles
    bottles = [schedule.bottles[g] for g in schedule.steps["bottle"][schedule.reading_step]]
    found = {}
    for kit in schedule.kits:
        if kit.parameter != ALKALINITY.name:
            continue
        of_bottle = [pair == (kit.name, last[kit.name]) for pair in bottles]
        steps = schedule.reading_step[np.array(of_bottle)]
        if np.any(steps > since):
            found[kit.name] = steps
    return found


def _kit_judge(midnights: np.ndarray, reading_steps: np.ndarray) -> Judge:
    """A kit whose calibration is e^δ times what it was in all readings (steps) after a midnight."""
    # Between two readings of the kit it does not matter when the kit shifted.
    first = np.searchsorted(reading_steps, midnights, side="right")
    distinct, example, which = np.unique(first, return_index=True, return_inverse=True)
    cases = [
        (int(step), reading_steps[j:] - step - 1)
        for j, step in zip(distinct, midnights[example], strict=True)
    ]

    def judge(one: _Filter) -> np.ndarray:
        return np.array([_shift_evidence(one.after(step), at) for step, at in cases])[which]

    return judge


def _shift_evidence(rest: System, at: np.ndarray) -> tuple[float, float, float]:
    """(log likelihood ratio, mean, sd) of δ for readings at steps `at` of `rest`."""
    if not len(at):
        return 0.0, 0.0, KIT_SHIFT_SD
    reach = KIT_SHIFT_SD
    base, above, below = shifted_log_likelihoods(rest, at, np.array([0.0, reach, -reach]))
    slope = (above - below) / (2 * reach)
    curvature = max((2 * base - above - below) / reach**2, 0.0)
    _, mode, sd = gaussian_evidence(slope, curvature, KIT_SHIFT_SD)
    delta = np.clip(mode, -MOST_SHIFT, MOST_SHIFT) + sd * _NODES
    # Likelihood ratio times prior, over the normal that the nodes stand for.
    log_value = shifted_log_likelihoods(rest, at, delta) - base
    log_value += 0.5 * _NODES**2 - 0.5 * (delta / KIT_SHIFT_SD) ** 2 + np.log(sd / KIT_SHIFT_SD)
    top = log_value.max()
    weight = _WEIGHTS / _WEIGHTS.sum() * np.exp(log_value - top)
    total = float(weight.sum())
    mean = float(weight @ delta) / total
    variance = float(weight @ (delta - mean) ** 2) / total
    return float(top + np.log(total)), mean, max(float(np.sqrt(variance)), LEAST_SD)


def _evidence(
    problem: Problem, draws: Sequence[Draw], suspects: Sequence[Suspect]
) -> list[StepEvidence]:
    """What the readings say of each suspect; they share their filtered systems."""
    prior = problem.priors.priors[DRIFT]
    drifts = prior.median * np.exp(prior.sd * _DRIFT_NODES)
    without, fitted = np.empty((2, len(draws), len(drifts)))
    judged: list[list[np.ndarray]] = [[] for _ in suspects]
    for s, (theta, misread) in enumerate(draws if suspects else ()):
        for k, drift in enumerate(drifts):
            moved = theta.copy()
            moved[DRIFT] = drift
            # One at a time: the systems of a long log are large.
            one = _Filter(system_at(moved, misread, 0, problem.frame))
            without[s, k] = one.log_likelihood
            fitted[s, k] = logsumexp(weigh_jumps(moved, misread, problem.frame))
            for table, suspect in zip(judged, suspects, strict=True):
                table.append(suspect.judge(one))
    # What each drift without jump or shift is to all that was fitted.
    whole = logsumexp(fitted + _LOG_DRIFT_WEIGHTS, axis=1, keepdims=True)
    share = (without + _LOG_DRIFT_WEIGHTS - whole)[:, :, None]
    found = []
    for table in judged:
        parts = np.array(table).reshape(*without.shape, -1, 3)
        found.append(StepEvidence(parts[..., 0] + share, parts[..., 1], parts[..., 2]))
    return found


def _weigh(
    suspects: Sequence[Suspect], evidence: Sequence[StepEvidence], days: int, midnights: int
) -> KitShifts:
    """Prior times the mean of the likelihood ratio over draws and days."""
    prior = min(KIT_CHANCE * midnights / KIT_WINDOW_DAYS, 0.5 / len(suspects))
    draws = len(evidence[0].log_ratio)
    cases = [(*pair, way) for pair in zip(suspects, evidence, strict=True) for way in DIRECTIONS]
    # Half of N(0, sd²) has twice the density; half of the prior goes with it.
    log_weights = [
        found.log_ratio
        + log_ndtr(DIRECTIONS[way] * found.mean / found.sd)
        + np.log(prior / midnights)
        for _, found, way in cases
    ]
    # Relative to the largest weight of all, so that none overflows.
    top = max(0.0, *(float(log_weight.max()) for log_weight in log_weights))
    per_draw = (1.0 - prior * len(suspects)) * np.exp(-top) + sum(
        np.exp(w - top).sum(axis=(1, 2)) for w in log_weights
    )
    total = float(per_draw.sum())
    changes = []
    for (suspect, found, way), log_weight in zip(cases, log_weights, strict=True):
        weight = np.exp(log_weight - log_weight.max())
        by_day = np.zeros(days)
        by_day[days - midnights :] = weight.sum(axis=(0, 1)) / weight.sum()
        # Few terms carry all the weight; the others would only cost time.
        heavy = weight > 1e-3 * weight.max()
        share = weight[heavy] / weight[heavy].sum()
        changes.append(
            Change(
                kind="kit",
                of=suspect.of,
                direction=way,
                prior=0.5 * prior,
                chance=float(np.exp(log_weight - top).sum() / total),
                size=half_normal_size(found.mean[heavy], found.sd[heavy], DIRECTIONS[way], share),
                by_day=by_day,
            )
        )
    return KitShifts(
        changes=tuple(changes),
        prior=prior * len(suspects),
        draws=draws,
        effective_draws=float(total**2 / np.sum(per_draw**2)),
    )
