"""Has something changed of late, and how sure is that?

What may have changed at once (`jumps`) is part of the model: the chance that it did, when and by
how much is a share of the draws. A chance that the effluent faded without any jump is likewise.

A kit's calibration multiplies levels, so that no filter integrates its shift out. For each kit
there is one model more: the one that was fitted with one shift, of unknown size δ ~ N(0, sd²), as
one of the last days begins, each of them as likely. Its Bayes factor needs no further fit. It is
the mean, over draws θ from the posterior of the fitted model and over days t, of

    ∫ p(readings | θ, δ, t) N(δ; 0, sd²) dδ / p(readings | θ),

the integral taken by Gauss-Hermite quadrature about the mode of a parabola b δ − a δ²/2 (Liu &
Pierce 1994, Biometrika 81:624); given all else δ is nearly normal, and the normal's mass on either
side of 0 splits each model into up and down.

One parameter is not left to the draws: the speed of the slow drift that a sudden shift is mistaken
for. A model without shifts explains one by fast drift, so that its draws hardly hold the slow drift
that goes with a shift, and the mean would rest on a few of them. Numerator and denominator are both
integrated over that drift, on nodes of its prior, given the other parameters of each draw, which
leaves the mean over these exact.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from scipy.special import log_ndtr, logsumexp, ndtr

from estimator.fit import jumps
from estimator.fit.fitting import Fit
from estimator.fit.kalman import System, forward, step_response
from estimator.fit.layout import DRIFT
from estimator.fit.likelihood import shifted_log_likelihoods, system_at
from estimator.fit.mass_balance import light_and_scale
from estimator.fit.problem import Problem
from estimator.fit.sampling import Trace, thinned
from estimator.fit.schedule import Schedule
from estimator.inputs.parameters import ALKALINITY

KIT_WINDOW_DAYS = 14
"""How far back a kit's shift is looked for; other changes: `jumps.WINDOW_DAYS`."""
KIT_CHANCE = 0.05
"""Prior chance of a kit's shift in that time, either way (common practice, no source)."""
FADED, FADE_DAYS = 0.10, 28
"""The effluent fades where it lost so much of its strength in so many days without a jump."""
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

Draw = tuple[np.ndarray, np.ndarray, int]
"""One draw of the fit: the parameter vector (p,), the classes of the readings (m,) and the jump."""
KINDS = {
    jumps.UPTAKE: "uptake",
    jumps.SUPPLY: "additions",
    jumps.EFFLUENT: "effluent",
    jumps.ADDITION: "one_addition",
}
"""What a jump is of, by its kind."""


@dataclass(frozen=True)
class Change:
    """One thing that may have changed.

    Attributes:
        kind: "uptake"; "additions", something given every day that begins or ends without an entry;
            "one_addition" without one; "effluent" at once, or "effluent_fade" little by little;
            "kit".
        of: the kit; the parameter that additions are of; "" for the others.
        direction: "up" or "down"; a kit goes up where it reads more than it did, additions where
            more is given than is logged.
        prior: chance before the readings.
        chance: chance given them.
        size: (q05, q50, q95), if this is what changed; meq/L/day for uptake and additions, meq/L
            for one addition, a fraction for the others; negative where the direction is down.
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
        draws: how many were looked at for a kit's shift.
        effective_draws: how many its chances rest on, (Σw)² / Σw² over each draw's weight.
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


def watch(fitted: Fit) -> Watch:
    """The chance of each change of late; a log of a single day can show none."""
    schedule, posterior = fitted.schedule, fitted.posterior
    found = fitted.frame.jumps
    first = max(1, schedule.days - jumps.WINDOW_DAYS)
    days = tuple(posterior.days[first:])
    draws = _draws(fitted.trace)
    if not days:
        return Watch(days, 1.0, 1.0, (), len(draws), float(len(draws)))
    midnights = schedule.day_step[-min(KIT_WINDOW_DAYS, len(days)) :]
    suspects = _suspects(schedule, midnights)
    kits, effective = _weigh(
        suspects, _evidence(fitted, draws, suspects), len(days), len(midnights)
    )
    changes = [*kits, *_jumped(fitted, first, len(days)), *_faded(fitted, len(days))]
    # A kit's shift is weighed against the fitted model, which all other chances are parts of.
    rest = 1.0 - sum(change.chance for change in kits)
    changes = [
        change if change.kind == "kit" else replace(change, chance=rest * change.chance)
        for change in changes
    ]
    faded = sum(change.chance for change in changes if change.kind == "effluent_fade")
    prior = KIT_CHANCE * len(suspects) * len(midnights) / KIT_WINDOW_DAYS
    return Watch(
        days=days,
        nothing=max(rest * float(np.mean(posterior.jump == 0)) - faded, 0.0),
        nothing_prior=float((1.0 - min(prior, 0.5)) * np.exp(found.log_prior[0])),
        changes=tuple(sorted(changes, key=lambda change: -change.chance)),
        draws=len(draws),
        effective_draws=effective,
    )


def compile_watch(problem: Problem, trace: Trace) -> None:
    """Compile what weighs a kit's shift, by running it on made-up draws."""
    midnights = problem.schedule.day_step[-1:]
    if midnights[0] >= 0:
        suspects = _suspects(problem.schedule, midnights)
        _evidence(problem, _draws(trace), suspects)


def _draws(trace: Trace) -> list[Draw]:
    natural = trace.natural.reshape(-1, trace.natural.shape[-1])
    misread, jump = trace.misread.reshape(len(natural), -1), trace.jump.reshape(-1)
    chosen = thinned(len(natural), WATCHED_DRAWS)
    return [(natural[s], misread[s], int(jump[s])) for s in chosen]


def _suspects(schedule: Schedule, midnights: np.ndarray) -> list[Suspect]:
    """The kits that may have shifted at one of the midnights (t,), which are steps."""
    return [
        Suspect(name, _kit_judge(midnights, steps))
        for name, steps in _kit_readings(schedule, int(midnights[0])).items()
    ]


def _jumped(fitted: Fit, first: int, days: int) -> list[Change]:
    """What may have jumped, by kind and direction, as shares of the draws.

    Args:
        fitted: the fit.
        first: first local day of the window.
        days: how many it has.
    """
    table, trace = fitted.frame.jumps, fitted.trace
    natural = trace.natural.reshape(-1, trace.natural.shape[-1])
    misread, jump = trace.misread.reshape(len(natural), -1), trace.jump.reshape(-1)
    kind = table.kind[jump]
    found = []
    for one in np.unique(table.kind[1:]):
        chosen = np.flatnonzero(kind == one)
        prior = 0.5 * float(np.sum(np.exp(table.log_prior[table.kind == one])))
        some = chosen[thinned(len(chosen), WATCHED_DRAWS)] if len(chosen) else chosen
        sized = [_size_of_jump(fitted, natural[s], misread[s], int(jump[s])) for s in some]
        mean, sd, unit = np.array(sized).reshape(-1, 3).T
        # Something given unlogged looks like less uptake.
        unit = -unit if one == jumps.SUPPLY else unit
        for way, sign in _DIRECTIONS.items():
            part = ndtr(sign * np.sign(unit) * mean / np.maximum(sd, 1e-12))
            share = float(np.mean(part)) * len(chosen) / len(natural) if len(chosen) else 0.0
            by_day = np.zeros(days)
            np.add.at(by_day, table.day[jump[some]] - first, part)
            size = (0.0, 0.0, 0.0)
            if share > 0:
                size = _size(mean * unit, sd * np.abs(unit), sign, part / part.sum())
            found.append(
                Change(
                    kind=KINDS[int(one)],
                    of=ALKALINITY.name if one in (jumps.SUPPLY, jumps.ADDITION) else "",
                    direction=way,
                    prior=prior,
                    chance=share,
                    size=size,
                    by_day=by_day / by_day.sum() if share > 0 else np.full(days, 1.0 / days),
                )
            )
    return found


def _size_of_jump(
    fitted: Fit, theta: np.ndarray, misread: np.ndarray, jump: int
) -> tuple[float, float, float]:
    """Mean and sd of a jump of one draw, and what a jump of 1 means."""
    table, frame = fitted.frame.jumps, fitted.frame
    one = _Filter(system_at(theta, misread, 0, frame))
    step, state = int(table.step[jump]), int(table.state[jump])
    slope, curvature = step_response(one.system, one.predicted, one.predicted_cov, step)
    sd = float(np.sqrt(table.variance[jump]))
    _, mean, left = gaussian_evidence(slope[step, state], curvature[step, state], sd)
    unit = 1.0
    if table.kind[jump] in (jumps.UPTAKE, jumps.SUPPLY):
        unit = float(light_and_scale(theta, frame.shape)[1])
    return float(mean), float(left), unit


def _faded(fitted: Fit, days: int) -> list[Change]:
    """Whether the effluent has faded without a jump, and by how much."""
    posterior, table = fitted.posterior, fitted.frame.jumps
    if posterior.last_run_flow_l_d is None:
        return []
    back = min(FADE_DAYS, len(posterior.days) - 1)
    change = posterior.strength[:, -1] / posterior.strength[:, -1 - back] - 1.0
    no_jump = table.kind[posterior.jump] != jumps.EFFLUENT
    faded = no_jump & (change < -FADED)
    by_day = np.zeros(days)
    by_day[-min(back, days)] = 1.0
    size = np.quantile(change[faded], [0.05, 0.5, 0.95]) if faded.any() else np.zeros(3)
    # In the prior it is a walk of the usual drift (`priors`), of unknown speed.
    normal = _DRIFT_NODES
    drift = 0.015 * np.exp(0.7 * normal) * np.sqrt(max(back, 1))
    prior = float(np.average(ndtr(-FADED / drift), weights=np.exp(-0.5 * normal**2)))
    low, middle, high = (float(value) for value in size)
    return [
        Change(
            "effluent_fade", "", "down", prior, float(np.mean(faded)), (low, middle, high), by_day
        )
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


def gaussian_evidence(slope: float, curvature: float, sd: float) -> tuple[float, float, float]:
    """log ∫ exp(b δ − a δ²/2) N(δ; 0, sd²) dδ, and mean and sd of δ."""
    shrink = 1.0 + curvature * sd**2
    mean = slope * sd**2 / shrink
    return 0.5 * slope * mean - 0.5 * np.log(shrink), mean, sd / np.sqrt(shrink)


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
    """What the readings say of each suspect; they share their filtered systems."""
    prior = problem.priors.priors[DRIFT]
    drifts = prior.median * np.exp(prior.sd * _DRIFT_NODES)
    without = np.empty((len(draws), len(drifts)))
    judged: list[list[np.ndarray]] = [[] for _ in suspects]
    for s, (theta, misread, jump) in enumerate(draws if suspects else ()):
        for k, drift in enumerate(drifts):
            moved = theta.copy()
            moved[DRIFT] = drift
            # One at a time: the systems of a long log are large.
            one = _Filter(system_at(moved, misread, jump, problem.frame))
            without[s, k] = one.log_likelihood
            for table, suspect in zip(judged, suspects, strict=True):
                table.append(suspect.judge(one))
    # The part that each drift has in the likelihood without a step.
    without += _LOG_DRIFT_WEIGHTS
    share = (without - logsumexp(without, axis=1, keepdims=True))[:, :, None]
    found = []
    for table in judged:
        parts = np.array(table).reshape(*without.shape, -1, 3)
        found.append(StepEvidence(parts[..., 0] + share, parts[..., 1], parts[..., 2]))
    return found


def _weigh(
    suspects: Sequence[Suspect], evidence: Sequence[StepEvidence], days: int, midnights: int
) -> tuple[list[Change], float]:
    """Prior times the mean of the likelihood ratio over draws and days, and effective draws."""
    if not suspects:
        return [], float(WATCHED_DRAWS)
    prior = min(KIT_CHANCE * midnights / KIT_WINDOW_DAYS, 0.5 / len(suspects))
    draws = len(evidence[0].log_ratio)
    cases = [(*pair, way) for pair in zip(suspects, evidence, strict=True) for way in _DIRECTIONS]
    # Half of N(0, sd²) has twice the density; half of the prior goes with it.
    log_weights = [
        found.log_ratio
        + log_ndtr(_DIRECTIONS[way] * found.mean / found.sd)
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
                size=_size(found.mean[heavy], found.sd[heavy], _DIRECTIONS[way], share),
                by_day=by_day,
            )
        )
    return changes, float(total**2 / np.sum(per_draw**2)) * WATCHED_DRAWS / max(draws, 1)


def _size(
    mean: np.ndarray, sd: np.ndarray, sign: float, share: np.ndarray
) -> tuple[float, float, float]:
    """(q05, q50, q95) of a step, from the mixture (k,) of half normals with these shares."""
    mean = sign * mean
    grid = np.linspace(0.0, float(np.max(np.maximum(mean, 0.0) + 4 * sd)), _SIZES)
    outside = ndtr(-mean / sd)
    inside = ndtr((grid[:, None] - mean) / sd) - outside
    chance = inside / np.maximum(1.0 - outside, 1e-300) @ share
    q05, q50, q95 = sign * np.interp([0.05, 0.5, 0.95], chance, grid)
    return float(q05), float(q50), float(q95)
