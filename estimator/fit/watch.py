"""Has something changed in the last fortnight, and which test would tell what?

Each possible change is a hypothesis beside "nothing changed": at one unknown midnight of the window
the uptake, the effluent's strength or a kit's calibration stepped, beyond the drift that the model
allows anyway. A hypothesis adds one number, the step δ ~ N(0, sd²), to the model that was fitted.
Its Bayes factor is therefore the posterior mean, under the fit, of the likelihood ratio

    p(readings | θ, step at t) / p(readings | θ)

over the draws of the parameters and of the classes of readings, averaged over t. Levels are
integrated out by the Kalman filter. For a step of a state the ratio is known in closed form: the
filter is linear, so the log-likelihood is b δ − a δ²/2 exactly, and

    ∫ exp(b δ − a δ²/2) N(δ; 0, sd²) dδ = (1 + a sd²)^(−1/2) exp(b² sd² / (2(1 + a sd²))).

A step of a kit's gain multiplies the level, so its integral is taken by Gauss-Hermite nodes around
the mode (Liu & Pierce 1994, Biometrika 81:624). Given all else δ is normal in all cases, which
splits each hypothesis into up and down.

A fit that knows of no step takes one for faster drift, so its draws hardly visit the slow drift
that goes with a step, and the mean of the ratio would rest on a few of them. Numerator and
denominator are therefore both integrated over the drift first, on nodes of its prior, which leaves
the mean over the other parameters exact.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from scipy.special import log_ndtr, logsumexp, ndtr

from estimator.fit.kalman import System, forward, step_response
from estimator.fit.layout import DRIFT, EFFLUENT_ALKALINITY, EFFLUENT_DRIFT
from estimator.fit.likelihood import shifted_log_likelihoods, system_at
from estimator.fit.mass_balance import light_and_scale
from estimator.fit.priors import Prior
from estimator.fit.problem import Frame, Problem
from estimator.fit.sampling import Trace, thinned
from estimator.fit.schedule import STOCK_STEP_SD, Schedule
from estimator.inputs.parameters import ALKALINITY

WINDOW_DAYS = 14
CHANGE_CHANCE = 0.05
"""Prior chance of each kind of change in a fortnight, either way (common practice, no source)."""
UPTAKE_STEP_SD = STOCK_STEP_SD
"""Relative to the uptake at the start of the log, as all its changes are."""
EFFLUENT_STEP_SD = 0.25
"""Relative: an empty cylinder or a worn tube costs that much (common practice, no source)."""
KIT_SHIFT_SD = 0.05
"""Relative shift of a kit's calibration (common practice, no source)."""
DRAWS = 120
"""Draws looked at, evenly spaced."""
LEAST_EFFECTIVE = 30
"""With fewer effective draws the averages rest on a handful of them: the log cannot tell, unless
the evidence is overwhelming."""
OVERWHELMING = 20.0
"""The mean of draws that are never negative exceeds 20 times its expectation less than once in 20
(Markov's inequality), however few are effective: odds for a change above this stand."""
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(3)
_DRIFT_NODES = np.linspace(-2.4, 3.2, 8)
"""Standard normal scores of the drift: 0.8 apart, a trapezoid sum errs by 0.1 % where the readings
narrow the score to sd 0.5. An unmodelled step looks like fast drift, hence the longer upper end."""
_LOG_DRIFT_WEIGHTS = -0.5 * _DRIFT_NODES**2 - logsumexp(-0.5 * _DRIFT_NODES**2)
_GRID = 100
_HALVES = {"up": 1.0, "down": -1.0}

TESTS = {
    "uptake": "test the tank's alkalinity at the same hour on three or more further days",
    "effluent": "test the effluent's alkalinity and let the effluent run into a measuring cylinder "
    "for ten minutes",
    "kit": "test a reference solution with this kit, or the same water with a fresh bottle",
}
"""By kind of change: the test that tells it from the others."""
CAUSES = {
    ("uptake", "up"): "faster growth, animals added, more light or heat",
    ("uptake", "down"): "stressed or lost animals, less light, low alkalinity",
    ("effluent", "up"): "more gas, fresh media, a pump that delivers more than it is set to",
    ("effluent", "down"): "an empty gas cylinder, spent media, a worn pump tube, a clogged line",
    ("kit", "up"): "reagent that has aged or dried in, a changed way of reading",
    ("kit", "down"): "reagent that has aged or dried in, a changed way of reading",
}
"""By kind and direction: what usually lies behind it (common practice, no source)."""


@dataclass(frozen=True)
class Change:
    """One thing that may have changed.

    Attributes:
        kind: "uptake", "effluent" or "kit".
        of: the kit, "" for the others.
        direction: "up" or "down"; a kit goes up where it reads more than it did.
        prior: chance before the readings.
        chance: chance given them.
        size: (q05, q50, q95) of the step if this is what changed; meq/L/day for uptake, a fraction
            for the others; negative where the direction is down.
        by_day: (days,) when, if this is what changed; adds up to 1.
        cause, test: what usually lies behind it, and the test that would tell.
    """

    kind: str
    of: str
    direction: str
    prior: float
    chance: float
    size: tuple[float, float, float]
    by_day: np.ndarray
    cause: str
    test: str


@dataclass(frozen=True)
class Watch:
    """All that may have changed, `nothing` and `changes` adding up to 1.

    Attributes:
        days: the local days of the window; a change is taken to happen as one begins.
        nothing, nothing_prior: chance that nothing changed, given the readings and before them.
        changes: the likeliest first.
        draws: how many were looked at.
        effective_draws: how many the averages rest on, (Σw)² / Σw² over each draw's weight.
    """

    days: tuple[date, ...]
    nothing: float
    nothing_prior: float
    changes: tuple[Change, ...]
    draws: int
    effective_draws: float

    @property
    def can_tell(self) -> bool:
        """Whether the chances rest on enough draws to be stated."""
        enough = self.effective_draws >= LEAST_EFFECTIVE
        return enough or 1.0 - self.nothing > OVERWHELMING * self.nothing

    @property
    def likeliest(self) -> Change | None:
        """The change that is likelier than not, or None."""
        first = self.changes[0] if self.changes else None
        return first if first and self.can_tell and first.chance > 0.5 else None


@dataclass(frozen=True)
class StepEvidence:
    """What the readings say of one kind of step, for each draw, drift and day (s, k, t).

    log_factor: log of prior of the drift × likelihood with a step, over the likelihood without one
    integrated over the drift; summed over k it is the likelihood ratio. mean, sd: of δ.
    """

    log_factor: np.ndarray
    mean: np.ndarray
    sd: np.ndarray


@dataclass(frozen=True)
class _Hypothesis:
    """A kind of change, what to multiply δ with to state it (s,), and its evidence."""

    kind: str
    of: str
    unit: np.ndarray
    evidence: StepEvidence


def watch(problem: Problem, trace: Trace, window_days: int = WINDOW_DAYS) -> Watch:
    """The chance of each change in the last `window_days`.

    The prior chances are those of a fortnight, in proportion to the days that the window has. A
    log of a single day has no window: nothing can have changed within it.

    Args:
        problem: the log and the tank.
        trace: draws of the parameters and classes under the model without a step.
        window_days: how far back.
    """
    schedule, table, frame = problem.schedule, problem.priors, problem.frame
    natural = trace.natural.reshape(-1, table.size)
    misread = trace.misread.reshape(len(natural), -1)
    kept = thinned(len(natural), DRAWS)
    midnights = np.array([i for i in schedule.day_step[-window_days:] if i >= 0], dtype=int)
    first = schedule.origin.date() + timedelta(days=schedule.days - len(midnights))
    days = tuple(first + timedelta(days=j) for j in range(len(midnights)))
    if not days:
        return Watch(days, 1.0, 1.0, (), len(kept), float(len(kept)))
    draws = [(natural[s], misread[s]) for s in kept]
    layout = schedule.layout
    kits = _kit_readings(schedule, int(midnights[0]))
    judges = [_state_judge(midnights, layout.uptake, UPTAKE_STEP_SD)]
    judges += [_kit_judge(midnights, steps) for steps in kits.values()]
    uptake, *shifts = _evidence(draws, DRIFT, table.priors[DRIFT], frame, judges)
    scale = np.array([light_and_scale(theta, frame.shape)[1] for theta, _ in draws])
    ones = np.ones(len(draws))
    found = [_Hypothesis("uptake", "", scale, uptake)]
    found += [
        _Hypothesis("kit", name, ones, shift) for name, shift in zip(kits, shifts, strict=True)
    ]
    if _reactor_in_use(schedule, int(midnights[0])):
        judge = _state_judge(midnights, layout.effluent, EFFLUENT_STEP_SD)
        prior = table.priors[EFFLUENT_DRIFT]
        (effluent,) = _evidence(draws, EFFLUENT_DRIFT, prior, frame, [judge])
        found.append(_Hypothesis("effluent", "", ones, effluent))
    return _weigh(found, days)


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
"""From one draw and drift to (log factor, mean, sd) of a step at each midnight (t, 3)."""


def _evidence(
    draws: Sequence[tuple[np.ndarray, np.ndarray]],
    at: int,
    prior: Prior,
    frame: Frame,
    judges: Sequence[Judge],
) -> list[StepEvidence]:
    """Each judge's evidence over all draws (theta, classes) and nodes of the drift at place `at`.

    One system is held at a time: those of a long log are large.
    """
    drifts = prior.median * np.exp(prior.sd * _DRIFT_NODES)
    without = np.empty((len(draws), len(drifts)))
    tables: list[list[np.ndarray]] = [[] for _ in judges]
    for s, (theta, misread) in enumerate(draws):
        for k, drift in enumerate(drifts):
            moved = theta.copy()
            moved[at] = drift
            one = _Filter(system_at(moved, misread, frame))
            without[s, k] = one.log_likelihood
            for table, judge in zip(tables, judges, strict=True):
                table.append(judge(one))
    # The part that each drift has in the likelihood without a step.
    without += _LOG_DRIFT_WEIGHTS
    share = without - logsumexp(without, axis=1, keepdims=True)
    arrays = [np.array(table).reshape(*without.shape, -1, 3) for table in tables]
    return [StepEvidence(x[..., 0] + share[:, :, None], x[..., 1], x[..., 2]) for x in arrays]


def gaussian_evidence(
    slope: np.ndarray, curvature: np.ndarray, sd: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """log ∫ exp(b δ − a δ²/2) N(δ; 0, sd²) dδ, and mean and sd of δ. See the module."""
    shrink = 1.0 + curvature * sd**2
    mean = slope * sd**2 / shrink
    return 0.5 * slope * mean - 0.5 * np.log(shrink), mean, sd / np.sqrt(shrink)


def _state_judge(midnights: np.ndarray, state: int, sd: float) -> Judge:
    """A state that moves by δ just after a midnight: exact."""

    def judge(one: _Filter) -> np.ndarray:
        slope, curvature = step_response(
            one.system, one.predicted, one.predicted_cov, int(midnights[0])
        )
        parts = gaussian_evidence(slope[midnights, state], curvature[midnights, state], sd)
        return np.stack(parts, axis=1)

    return judge


def _kit_judge(midnights: np.ndarray, reading_steps: np.ndarray) -> Judge:
    """A kit whose gain is e^δ times what it was in all readings (steps) after a midnight."""
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
    """(log factor, mean, sd) of δ for readings at steps `at` of `rest`."""
    if not len(at):
        return 0.0, 0.0, KIT_SHIFT_SD

    reach = KIT_SHIFT_SD
    base, above, below = shifted_log_likelihoods(rest, at, np.array([0.0, reach, -reach]))
    slope = (above - below) / (2 * reach)
    curvature = max((2 * base - above - below) / reach**2, 0.0)
    sd = KIT_SHIFT_SD / np.sqrt(1.0 + curvature * KIT_SHIFT_SD**2)
    delta = slope * sd**2 + sd * _NODES
    # Likelihood ratio times prior, over the normal that the nodes stand for.
    log_value = shifted_log_likelihoods(rest, at, delta) - base
    log_value += 0.5 * _NODES**2 - 0.5 * (delta / KIT_SHIFT_SD) ** 2 + np.log(sd / KIT_SHIFT_SD)
    top = log_value.max()
    weight = _WEIGHTS / _WEIGHTS.sum() * np.exp(log_value - top)
    total = float(weight.sum())
    mean = float(weight @ delta) / total
    variance = float(weight @ (delta - mean) ** 2) / total
    return float(top + np.log(total)), mean, float(np.sqrt(variance))


def _reactor_in_use(schedule: Schedule, since: int) -> bool:
    """Whether effluent ran into the tank, or was tested, after step `since`."""
    if schedule.layout.effluent < 0:
        return False
    later = schedule.steps[since + 1 :]
    tested = later["kind"] == EFFLUENT_ALKALINITY
    return bool(np.any(later["flow_l_d"] * later["span_d"] > 0) or np.any(tested))


def _kit_readings(schedule: Schedule, since: int) -> dict[str, np.ndarray]:
    """By alkalinity kit used after step `since`: steps of the readings of its last bottle.

    A bottle opened within the window has its own calibration in the model, so only a shift that
    no `new_bottle` explains is asked for.
    """
    last = dict(schedule.gains)  # the pairs stand in order of bottles
    bottles = [schedule.gains[g] for g in schedule.steps["gain"][schedule.reading_step]]
    found = {}
    for kit in schedule.kits:
        if kit.parameter != ALKALINITY.name:
            continue
        of_bottle = [pair == (kit.name, last[kit.name]) for pair in bottles]
        steps = schedule.reading_step[np.array(of_bottle)]
        if np.any(steps > since):
            found[kit.name] = steps
    return found


def _weigh(found: Sequence[_Hypothesis], days: tuple[date, ...]) -> Watch:
    """Chances from the evidence: prior times the mean over draws and days."""
    prior = min(CHANGE_CHANCE * len(days) / WINDOW_DAYS, 0.5 / len(found))
    nothing_prior = 1.0 - prior * len(found)
    draws = len(found[0].unit)
    halves = []
    for hypothesis in found:
        evidence = hypothesis.evidence
        for direction, sign in _HALVES.items():
            # Half of N(0, sd²) has twice the density; half of the prior goes with it.
            inside = log_ndtr(sign * evidence.mean / evidence.sd)
            log_weight = evidence.log_factor + inside + np.log(prior / len(days))
            halves.append((hypothesis, direction, log_weight))
    # Relative to the largest weight of all, so that none overflows.
    top = max(0.0, *(float(log_weight.max()) for _, _, log_weight in halves))
    nothing = nothing_prior * np.exp(-top)
    whole = nothing + sum(np.exp(lw - top).sum(axis=(1, 2)) for _, _, lw in halves)
    total = float(whole.sum())
    changes = []
    for hypothesis, direction, log_weight in halves:
        weight = np.exp(log_weight - log_weight.max())
        changes.append(
            Change(
                kind=hypothesis.kind,
                of=hypothesis.of,
                direction=direction,
                prior=0.5 * prior,
                chance=float(np.exp(log_weight - top).sum() / total),
                size=_size(hypothesis, _HALVES[direction], weight),
                by_day=weight.sum(axis=(0, 1)) / weight.sum(),
                cause=CAUSES[hypothesis.kind, direction],
                test=TESTS[hypothesis.kind],
            )
        )
    return Watch(
        days=days,
        nothing=float(nothing * draws / total),
        nothing_prior=nothing_prior,
        changes=tuple(sorted(changes, key=lambda change: -change.chance)),
        draws=draws,
        effective_draws=float(total**2 / np.sum(whole**2)),
    )


def _size(hypothesis: _Hypothesis, sign: float, weight: np.ndarray) -> tuple[float, float, float]:
    """(q05, q50, q95) of the step, from the mixture of half normals over draws, drifts and days."""
    evidence = hypothesis.evidence
    unit = hypothesis.unit[:, None, None]
    # Few terms carry all the weight; the others would only cost time.
    heavy = weight > 1e-3 * weight.max()
    mean, sd = (sign * evidence.mean * unit)[heavy], (evidence.sd * unit)[heavy]
    share = weight[heavy] / weight[heavy].sum()
    grid = np.linspace(0.0, float(np.max(np.maximum(mean, 0.0) + 4 * sd)), _GRID)
    outside = ndtr(-mean / sd)
    inside = ndtr((grid[:, None] - mean) / sd) - outside
    chance = inside / np.maximum(1.0 - outside, 1e-300) @ share
    q05, q50, q95 = sign * np.interp([0.05, 0.5, 0.95], chance, grid)
    return float(q05), float(q50), float(q95)
