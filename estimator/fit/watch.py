"""Has something changed in the last fortnight, and how sure is that?

A *suspect* is something that may have changed at once: the uptake, the effluent's strength, the
calibration of a kit. For each suspect there is one model: the one that was fitted, with one step
more, of unknown size δ ~ N(0, sd²), as one of the last days begins, each of them as likely.
"Nothing changed" is the fitted model itself. One of these models is taken to be true; their
posterior chances follow from their prior chances and Bayes factors.

The Bayes factor of a suspect against "nothing changed" needs no further fit. It is the mean, over
draws θ from the posterior of the fitted model and over days t, of

    ∫ p(readings | θ, δ, t) N(δ; 0, sd²) dδ / p(readings | θ).

The Kalman filter integrates the levels out. A step of a state enters them linearly, so that the log
of the likelihood ratio is a parabola b δ − a δ²/2 exactly, and the integral is closed:

    ∫ exp(b δ − a δ²/2) N(δ; 0, sd²) dδ = (1 + a sd²)^(−1/2) exp(b² sd² / (2(1 + a sd²))).

A kit's calibration multiplies the level, so there the integral is taken by Gauss-Hermite
quadrature about the parabola's mode (Liu & Pierce 1994, Biometrika 81:624). Given all else δ is
normal, and the normal's mass on either side of 0 splits each model into up and down.

One parameter is not left to the draws: the speed of the slow drift that a sudden step is mistaken
for. A model without steps explains a step by fast drift, so that its draws hardly hold the slow
drift that goes with a step, and the mean would rest on a few of them. Numerator and denominator are
both integrated over that drift, on nodes of its prior, given the other parameters of each draw,
which leaves the mean over these exact.
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
from estimator.fit.problem import Problem
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
WATCHED_DRAWS = 120
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
_SIZES = 100
"""Points at which the distribution of a step's size is computed."""
_DIRECTIONS = {"up": 1.0, "down": -1.0}

Draw = tuple[np.ndarray, np.ndarray]
"""One draw of the fit: the parameter vector (p,) and the classes of the readings (m,)."""


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
    """

    kind: str
    of: str
    direction: str
    prior: float
    chance: float
    size: tuple[float, float, float]
    by_day: np.ndarray


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

    @property
    def quiet(self) -> bool:
        """Whether it can be told that there is nothing to do."""
        return self.can_tell and self.nothing >= 0.5


@dataclass(frozen=True)
class Suspect:
    """Something that may have stepped at a midnight of the window.

    Attributes:
        kind, of: see `Change`.
        judge: what the readings say of its step, see `Judge`.
        drift: place in the parameter vector of the drift that its step is mistaken for.
        unit: (s,) what a step of δ = 1 means in each draw.
    """

    kind: str
    of: str
    judge: Judge
    drift: int
    unit: np.ndarray


@dataclass(frozen=True)
class StepEvidence:
    """What the readings say of one suspect, for each draw, drift and day (s, k, t).

    log_ratio: log of the likelihood with a step times the prior of the drift, over the likelihood
    without one integrated over the drift: its exponentials summed over k are the likelihood ratio.
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


def watch(problem: Problem, trace: Trace, window_days: int = WINDOW_DAYS) -> Watch:
    """The chance of each change in the last `window_days`.

    The prior chances are those of a fortnight, in proportion to the days that the window has. A
    log of a single day has no window: nothing can have changed within it.

    Args:
        problem: the log and the tank.
        trace: draws of the parameters and classes under the model without a step.
        window_days: how far back.
    """
    schedule = problem.schedule
    natural = trace.natural.reshape(-1, trace.natural.shape[-1])
    misread = trace.misread.reshape(len(natural), -1)
    draws = [(natural[s], misread[s]) for s in thinned(len(natural), WATCHED_DRAWS)]
    midnights = np.array([i for i in schedule.day_step[-window_days:] if i >= 0], dtype=int)
    first = schedule.origin.date() + timedelta(days=schedule.days - len(midnights))
    days = tuple(first + timedelta(days=j) for j in range(len(midnights)))
    if not days:
        return Watch(days, 1.0, 1.0, (), len(draws), float(len(draws)))
    suspects = _suspects(problem, draws, midnights)
    return _weigh(suspects, _evidence(problem, draws, suspects), days)


def _suspects(problem: Problem, draws: Sequence[Draw], midnights: np.ndarray) -> list[Suspect]:
    """All that may have changed at one of the midnights (t,), which are steps of the schedule."""
    schedule, since = problem.schedule, int(midnights[0])
    scale = np.array([light_and_scale(theta, problem.frame.shape)[1] for theta, _ in draws])
    ones = np.ones(len(draws))
    uptake, effluent = schedule.layout.uptake, schedule.layout.effluent
    found = [Suspect("uptake", "", _state_judge(midnights, uptake, UPTAKE_STEP_SD), DRIFT, scale)]
    for name, steps in _kit_readings(schedule, since).items():
        found.append(Suspect("kit", name, _kit_judge(midnights, steps), DRIFT, ones))
    if _reactor_in_use(schedule, since):
        judge = _state_judge(midnights, effluent, EFFLUENT_STEP_SD)
        found.append(Suspect("effluent", "", judge, EFFLUENT_DRIFT, ones))
    return found


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
    delta = mode + sd * _NODES
    # Likelihood ratio times prior, over the normal that the nodes stand for.
    log_value = shifted_log_likelihoods(rest, at, delta) - base
    log_value += 0.5 * _NODES**2 - 0.5 * (delta / KIT_SHIFT_SD) ** 2 + np.log(sd / KIT_SHIFT_SD)
    top = log_value.max()
    weight = _WEIGHTS / _WEIGHTS.sum() * np.exp(log_value - top)
    total = float(weight.sum())
    mean = float(weight @ delta) / total
    variance = float(weight @ (delta - mean) ** 2) / total
    return float(top + np.log(total)), mean, float(np.sqrt(variance))


def _evidence(
    problem: Problem, draws: Sequence[Draw], suspects: Sequence[Suspect]
) -> list[StepEvidence]:
    """What the readings say of each suspect; those of one drift share their filtered systems."""
    found: dict[int, StepEvidence] = {}
    for place in dict.fromkeys(suspect.drift for suspect in suspects):
        together = [i for i, suspect in enumerate(suspects) if suspect.drift == place]
        prior = problem.priors.priors[place]
        drifts = prior.median * np.exp(prior.sd * _DRIFT_NODES)
        without = np.empty((len(draws), len(drifts)))
        judged: list[list[np.ndarray]] = [[] for _ in together]
        for s, (theta, misread) in enumerate(draws):
            for k, drift in enumerate(drifts):
                moved = theta.copy()
                moved[place] = drift
                # One at a time: the systems of a long log are large.
                one = _Filter(system_at(moved, misread, problem.frame))
                without[s, k] = one.log_likelihood
                for table, i in zip(judged, together, strict=True):
                    table.append(suspects[i].judge(one))
        # The part that each drift has in the likelihood without a step.
        without += _LOG_DRIFT_WEIGHTS
        share = (without - logsumexp(without, axis=1, keepdims=True))[:, :, None]
        for table, i in zip(judged, together, strict=True):
            parts = np.array(table).reshape(*without.shape, -1, 3)
            found[i] = StepEvidence(parts[..., 0] + share, parts[..., 1], parts[..., 2])
    return [found[i] for i in range(len(suspects))]


def _weigh(
    suspects: Sequence[Suspect], evidence: Sequence[StepEvidence], days: tuple[date, ...]
) -> Watch:
    """Chances: prior times the mean of the likelihood ratio over draws and days."""
    prior = min(CHANGE_CHANCE * len(days) / WINDOW_DAYS, 0.5 / len(suspects))
    nothing_prior = 1.0 - prior * len(suspects)
    draws = len(suspects[0].unit)
    cases = [(*pair, way) for pair in zip(suspects, evidence, strict=True) for way in _DIRECTIONS]
    # Half of N(0, sd²) has twice the density; half of the prior goes with it.
    log_weights = [
        found.log_ratio
        + log_ndtr(_DIRECTIONS[way] * found.mean / found.sd)
        + np.log(prior / len(days))
        for _, found, way in cases
    ]
    # Relative to the largest weight of all, so that none overflows.
    top = max(0.0, *(float(log_weight.max()) for log_weight in log_weights))
    nothing = nothing_prior * np.exp(-top)
    per_draw = nothing + sum(np.exp(w - top).sum(axis=(1, 2)) for w in log_weights)
    total = float(per_draw.sum())
    changes = []
    for (suspect, found, way), log_weight in zip(cases, log_weights, strict=True):
        weight = np.exp(log_weight - log_weight.max())
        changes.append(
            Change(
                kind=suspect.kind,
                of=suspect.of,
                direction=way,
                prior=0.5 * prior,
                chance=float(np.exp(log_weight - top).sum() / total),
                size=_size(found, suspect.unit, _DIRECTIONS[way], weight),
                by_day=weight.sum(axis=(0, 1)) / weight.sum(),
            )
        )
    return Watch(
        days=days,
        nothing=float(nothing * draws / total),
        nothing_prior=nothing_prior,
        changes=tuple(sorted(changes, key=lambda change: -change.chance)),
        draws=draws,
        effective_draws=float(total**2 / np.sum(per_draw**2)),
    )


def _size(
    found: StepEvidence, unit: np.ndarray, sign: float, weight: np.ndarray
) -> tuple[float, float, float]:
    """(q05, q50, q95) of the step, from the mixture of half normals over draws, drifts and days."""
    scale = unit[:, None, None]
    # Few terms carry all the weight; the others would only cost time.
    heavy = weight > 1e-3 * weight.max()
    mean, sd = (sign * found.mean * scale)[heavy], (found.sd * scale)[heavy]
    share = weight[heavy] / weight[heavy].sum()
    grid = np.linspace(0.0, float(np.max(np.maximum(mean, 0.0) + 4 * sd)), _SIZES)
    outside = ndtr(-mean / sd)
    inside = ndtr((grid[:, None] - mean) / sd) - outside
    chance = inside / np.maximum(1.0 - outside, 1e-300) @ share
    q05, q50, q95 = sign * np.interp([0.05, 0.5, 0.95], chance, grid)
    return float(q05), float(q50), float(q95)
