"""What tests that are not yet run would show, and what the tank's unknowns would be after them.

Given one draw of the parameters the tank is linear and Gaussian, so readings to come and the
states that the needed flow depends on are jointly normal, with means and covariances that the
Kalman filter gives exactly (`kalman.joint_prediction`). The posterior of the whole is a mixture of
one such normal per draw. A reading is imagined by drawing it from the mixture; knowledge after it
is the same mixture, each draw reweighted by how well it foretold the reading and each normal
conditioned on it. Nothing is fitted again.

Imagined titrations have the kit's calibration error, scatter, step and odd readings. In the
conditioning the rounding counts as noise of variance step²/12 and odd readings as known to be odd,
as they mostly are; refitting (`tests/recovery/test_value_of_tests.py`) bears this out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime

import numpy as np
from numba import njit

from estimator.fit.kalman import joint_prediction
from estimator.fit.layout import (
    DRIFT,
    EFFLUENT_DRIFT,
    EXPONENT,
    INCREMENT,
    LIGHT_RATIO,
    PHYSICAL,
    TANK_ALKALINITY,
    UPTAKE,
    VOLUME,
)
from estimator.fit.likelihood import MISREAD_CHANCE, MISREAD_SPREAD, system_of
from estimator.fit.mass_balance import NET_CHANGE_SCALE
from estimator.fit.posterior import law_of
from estimator.fit.problem import Problem, pose
from estimator.fit.sampling import Trace, made_up_trace, thinned
from estimator.fit.schedule import Schedule
from estimator.fit.state import TankState
from estimator.inputs.records import Action, Reading, TankLog
from estimator.water.light import day_shape, light_share, lit_fraction
from estimator.water.settings import day_of
from estimator.water.supply import strength_after

DRAWS = 1000
"""Draws of the posterior that stand for it here."""
IMAGINED = 100
"""Imagined outcomes of each set of tests."""
MOST_REPEATS = 5
MOMENT = "moment"
"""Kind of an action that does nothing but end a step, so that the states at its time can be had."""


@dataclass(frozen=True)
class Present:
    """Parameters (s,) and the meaning of the states: what `TankState` they stand for.

    `places` says which state is where among the t: alkalinity, uptake, then effluent and nitrate
    production, −1 where the log has no use for one. `kit_gain` is of the kit that tests the tank's
    alkalinity. Other attributes as in `Posterior`.
    """

    volume_l: np.ndarray
    uptake_start: np.ndarray
    uptake_scale: np.ndarray
    gain_meq_l: np.ndarray
    exponent: np.ndarray
    drift: np.ndarray
    effluent_drift: np.ndarray
    level_shift: np.ndarray
    shape_d: np.ndarray
    reference_flow_l_d: float | None
    middle_meq_l: float
    places: tuple[int, int, int, int]
    light_ratio: np.ndarray
    kit_gain: np.ndarray

    def some(self, chosen: np.ndarray) -> Present:
        """The same for some of the draws."""
        arrays = {
            field.name: getattr(self, field.name)[chosen]
            for field in fields(self)
            if isinstance(getattr(self, field.name), np.ndarray)
        }
        return replace(self, **arrays)

    def state(self, states: np.ndarray) -> TankState:
        """The tank at states (…, s, t)."""
        alkalinity, uptake, effluent, nitrate = self.places
        calcified = self.uptake_start + self.uptake_scale * states[..., uptake]
        change = states[..., effluent] if effluent >= 0 else np.zeros(states.shape[:-1])
        increment = self.gain_meq_l * strength_after(change)
        reference, middle = self.reference_flow_l_d, self.middle_meq_l
        return TankState(
            law=law_of(self.volume_l, self.exponent, increment, reference, middle),
            level_meq_l=states[..., alkalinity] + calcified * self.shape_d - self.level_shift,
            uptake_meq_l_d=calcified + (states[..., nitrate] if nitrate >= 0 else 0.0),
            uptake_drift_meq_l_d=self.uptake_scale * self.drift,
            effluent_drift=self.effluent_drift,
        )

    def flow_l_d(self, states: np.ndarray) -> np.ndarray:
        """Needed flow (…, s)."""
        return self.state(states).needed_flow_l_d

    def flow_slope(self, states: np.ndarray) -> np.ndarray:
        """Derivative (s, t) of log needed flow by the states (s, t), 0 where none is needed."""
        tiny = 1e-4
        slope = np.empty_like(states)
        with np.errstate(divide="ignore", invalid="ignore"):
            here = np.log(self.flow_l_d(states))
            for t in range(states.shape[1]):
                moved = states.copy()
                moved[:, t] += tiny
                slope[:, t] = (np.log(self.flow_l_d(moved)) - here) / tiny
        return np.where(np.isfinite(slope), slope, 0.0)


@dataclass(frozen=True)
class Foresight:
    """Readings that could be taken, and the present state, as one mixture of normals.

    With s draws, k possible readings and t states:

    Attributes:
        readings: (k) the possible readings, values zero.
        mean: (s, k + t) of what each kit would show without its scatter, then of the states.
        covariance: (s, k + t, k + t).
        variance: (s, k) of the scatter of an ordinary reading, rounding included.
        scatter_sd: (s, k) the same without rounding, as an sd.
        step: (k,) of the kit.
        truth: (i, k) imagined true readings, from the draws `picks` (i,).
        errors: (i, k, MOST_REPEATS) imagined scatter in units of an ordinary sd, odd ones included.
        spreads: the same shape: how much wider than ordinary each imagined error's class is.
        volume_errors: (i,) standard normal, for a measurement of the water volume.
        flow_slope: (s, t) derivative of log needed flow by the states at their means.
        normals: (s, t) standard normal, for the states.
        present: what of each draw the needed flow depends on.
    """

    readings: tuple[Reading, ...]
    mean: np.ndarray
    covariance: np.ndarray
    variance: np.ndarray
    scatter_sd: np.ndarray
    step: np.ndarray
    picks: np.ndarray
    truth: np.ndarray
    errors: np.ndarray
    spreads: np.ndarray
    volume_errors: np.ndarray
    flow_slope: np.ndarray
    normals: np.ndarray
    present: Present

    @property
    def states(self) -> slice:
        """Places of the states among the columns of `mean`."""
        return slice(len(self.readings), self.mean.shape[1])


def foresee(
    problem: Problem,
    trace: Trace,
    readings: Sequence[Reading],
    seed: np.random.SeedSequence,
    *,
    actions: Sequence[Action] = (),
    at: datetime | None = None,
    draws: int = DRAWS,
    imagined: int = IMAGINED,
) -> Foresight:
    """Joint predictions of readings not yet taken.

    Args:
        problem, trace: the fit so far.
        readings: that could be taken after `log.end`, of kinds that the model uses; their values
            are ignored.
        seed: for what is imagined.
        actions: to be done meanwhile.
        at: when the states are wanted, `log.end` or later; default `log.end`.
        draws, imagined: how many draws stand for the posterior, and how many outcomes are imagined.
    """
    at = at or problem.log.end
    longer = pose(_lengthened(problem.log, readings, actions, at), problem.tank)
    layout = longer.schedule.layout
    rng = np.random.default_rng(seed)
    chosen = thinned(trace.natural.shape[0] * trace.natural.shape[1], draws)
    natural = _natural_ahead(problem, longer, trace, chosen, rng)
    misread = trace.misread.reshape(-1, trace.misread.shape[-1])[chosen]
    rows = _rows_of(longer.schedule, readings)
    kept = [
        state for state in (0, layout.uptake, layout.effluent, layout.nitrate_rate) if state >= 0
    ]
    mean, covariance = _predict(problem, longer, natural, misread, rows, kept, at)
    steps = longer.schedule.steps[longer.schedule.reading_step[rows]]
    first_kit = natural.shape[1] - len(longer.schedule.kits)
    scatter_sd = np.ascontiguousarray(steps["scatter"] * natural[:, first_kit + steps["kit"]])
    picks = thinned(len(chosen), imagined)
    present = _present(problem, longer.schedule, natural, at)
    classes = rng.choice(
        len(MISREAD_CHANCE), size=(len(picks), len(rows), MOST_REPEATS), p=MISREAD_CHANCE
    )
    return Foresight(
        readings=tuple(readings),
        mean=mean,
        covariance=covariance,
        variance=scatter_sd**2 + steps["rounding"],
        scatter_sd=scatter_sd,
        step=np.sqrt(12.0 * steps["rounding"]),
        picks=picks,
        truth=_draw_each(mean[picks], covariance[picks], rng)[:, : len(rows)],
        errors=rng.standard_normal(classes.shape),
        spreads=MISREAD_SPREAD[classes],
        volume_errors=rng.standard_normal(len(picks)),
        flow_slope=present.flow_slope(mean[:, len(rows) :]),
        normals=rng.standard_normal((len(chosen), len(kept))),
        present=present,
    )


def _lengthened(
    log: TankLog, readings: Sequence[Reading], actions: Sequence[Action], at: datetime
) -> TankLog:
    """The log with what is to come."""
    done = [*actions, Action(0, at, MOMENT, "", None)]
    return replace(
        log,
        readings=tuple(sorted([*log.readings, *readings], key=lambda r: r.time)),
        actions=tuple(sorted([*log.actions, *done], key=lambda a: a.time)),
        end=max([at, *(r.time for r in readings), *(a.time for a in done)]),
    )


def _rows_of(longer: Schedule, readings: Sequence[Reading]) -> np.ndarray:
    """Where each possible reading (k,) stands among the readings of the lengthened schedule."""
    at = {id(reading): m for m, reading in enumerate(longer.readings)}
    return np.array([at[id(reading)] for reading in readings], dtype=int)


def _natural_ahead(
    problem: Problem,
    longer: Problem,
    trace: Trace,
    chosen: np.ndarray,
    rng: np.random.Generator,
) -> np.ndarray:
    """Parameters (s, p) of the lengthened schedule.

    A kit never used is as its prior says, a bottle never used as its prior says given the kit's
    other bottles.
    """
    known = trace.natural.reshape(-1, trace.natural.shape[-1])[chosen]
    names = [prior.name for prior in problem.priors.priors]
    table = longer.priors
    natural = np.empty((len(chosen), table.size))
    natural[:, :PHYSICAL] = known[:, :PHYSICAL]
    # The kits' priors are log-normal: natural = median exp(root z), bottles after earlier ones.
    z = np.zeros_like(natural)
    for place in range(PHYSICAL, table.size):
        prior, root = table.priors[place], table.arrays.root[place]
        others = z[:, :place] @ root[:place]
        if prior.name in names:
            natural[:, place] = known[:, names.index(prior.name)]
            z[:, place] = (np.log(natural[:, place] / prior.median) - others) / root[place]
        else:
            z[:, place] = rng.standard_normal(len(chosen))
            natural[:, place] = prior.median * np.exp(others + root[place] * z[:, place])
    return natural


def _predict(
    problem: Problem,
    longer: Problem,
    natural: np.ndarray,
    misread: np.ndarray,
    rows: np.ndarray,
    kept: Sequence[int],
    at: datetime,
) -> tuple[np.ndarray, np.ndarray]:
    """Means (s, k + t) and covariances of readings `rows` (k,) and of the states `kept` (t)."""
    k, t = len(rows), len(kept)
    ahead = longer.schedule
    at_d = day_of(at, ahead.origin)
    at_step = int(np.searchsorted(ahead.step_time_d, at_d + 1e-9, side="right")) - 1
    reading_step = ahead.reading_step[rows]
    steps = np.concatenate([reading_step, np.full(t, at_step)])
    order = np.argsort(steps, kind="stable")
    past = np.setdiff1d(np.arange(len(ahead.readings)), rows)
    spread = np.ones(len(ahead.steps))
    # Parameters mean what they meant in the fit, whatever the lengthened log would make of them.
    net_change = problem.frame.shape.net_change
    frame = longer.frame._replace(shape=longer.frame.shape._replace(net_change=net_change))
    mean = np.empty((len(natural), k + t))
    covariance = np.empty((len(natural), k + t, k + t))
    loading = np.zeros((k + t, ahead.layout.size))
    loading[k + np.arange(t), kept] = 1.0
    intercept = np.zeros(k + t)
    for s in range(len(natural)):
        spread[ahead.reading_step[past]] = MISREAD_SPREAD[misread[s]]
        system = system_of(natural[s], spread, frame)
        system.observed[reading_step] = False
        loading[:k] = system.loading[reading_step]
        intercept[:k] = system.intercept[reading_step]
        found = joint_prediction(system, steps[order], loading[order], intercept[order])
        mean[s, order] = found[0]
        covariance[s, order[:, None], order] = found[1]
    return mean, covariance


def _draw_each(mean: np.ndarray, covariance: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """One draw (i, k) of each normal, whose covariance may be singular."""
    scale = np.sqrt(np.einsum("ikk->ik", covariance)) + 1e-9
    correlation = covariance / scale[:, :, None] / scale[:, None, :]
    root = np.linalg.cholesky(correlation + 1e-9 * np.eye(mean.shape[1]))
    return mean + scale * np.einsum("ikl,il->ik", root, rng.standard_normal(mean.shape))


def _present(problem: Problem, longer: Schedule, natural: np.ndarray, at: datetime) -> Present:
    """Parameters and the meaning of the states; see `posterior.describe`."""
    schedule, layout = problem.schedule, longer.layout
    column = np.ascontiguousarray(natural.T)
    tests = np.flatnonzero(longer.steps["kind"] == TANK_ALKALINITY)
    wanted = (0, layout.uptake, layout.effluent, layout.nitrate_rate)
    kept = [state for state in wanted if state >= 0]
    start = column[UPTAKE]
    net_change = not schedule.additions
    share = light_share(column[LIGHT_RATIO], lit_fraction(problem.tank))
    routines = schedule.settings.hand_dosing
    hand = sum(r.alkalinity_meq * r.part_of_dose_above_mean for r in routines)
    return Present(
        volume_l=column[VOLUME],
        uptake_start=start,
        uptake_scale=np.full_like(start, NET_CHANGE_SCALE) if net_change else start,
        gain_meq_l=column[INCREMENT],
        exponent=column[EXPONENT],
        drift=column[DRIFT],
        effluent_drift=column[EFFLUENT_DRIFT],
        level_shift=hand / column[VOLUME],
        shape_d=day_shape(problem.tank, share, day_of(at, schedule.origin) % 1.0),
        reference_flow_l_d=schedule.reference_flow_l_d,
        middle_meq_l=schedule.shape.middle,
        places=tuple(kept.index(state) if state >= 0 else -1 for state in wanted),  # type: ignore[arg-type]
        light_ratio=column[LIGHT_RATIO],
        kit_gain=column[PHYSICAL + int(longer.steps["gain"][tests[-1]])]
        if len(tests)
        else np.ones(len(start)),
    )


def compile_foresight(problem: Problem) -> None:
    """Compile what predicts and conditions, by running it once on a made-up trace of this log."""
    reading = replace(problem.schedule.readings[-1], time=problem.log.end)
    seed = np.random.SeedSequence(0)
    outcomes_of(foresee(problem, made_up_trace(problem), [reading], seed), [0])


@dataclass(frozen=True)
class Outcomes:
    """What is known after each imagined outcome of one set of tests: a weighted sample.

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
        """(i,) effective number of draws behind each outcome."""
        return 1.0 / np.sum(self.weights**2, axis=1)


@dataclass(frozen=True)
class Shown:
    """Imagined readings of one set of tests.

    Attributes:
        rows: (r,) which of the possible readings each is.
        values: (i, r) what the kits show.
        spreads: (i, r) factor on the sd of each error, by its class.
    """

    rows: np.ndarray
    values: np.ndarray
    spreads: np.ndarray


def show(foresight: Foresight, chosen: Sequence[int]) -> Shown:
    """What the kits show for the chosen readings in every imagined outcome.

    Args:
        foresight: what could be read.
        chosen: (r) indices of its readings; one that is taken n times comes n times.
    """
    rows = np.array(chosen, dtype=np.int64)
    repeat = np.array([np.sum(rows[:place] == row) for place, row in enumerate(rows)], dtype=int)
    # The compiled code is for arrays in C order.
    spreads = np.ascontiguousarray(foresight.spreads[:, rows, repeat])
    sd = spreads * foresight.scatter_sd[foresight.picks][:, rows]
    step = np.maximum(foresight.step[rows], 1e-12)
    exact = foresight.truth[:, rows] + sd * foresight.errors[:, rows, repeat]
    return Shown(rows, np.ascontiguousarray(np.round(exact / step) * step), spreads)


def outcomes_of(
    foresight: Foresight, chosen: Sequence[int], volume_test_sd: float | None = None
) -> Outcomes:
    """Knowledge after the chosen readings, for every imagined outcome.

    Args:
        foresight, chosen: as in `show`.
        volume_test_sd: sd of the log of a measurement of the water volume, if there is one.
    """
    shown = show(foresight, chosen)
    picks = foresight.picks
    states = foresight.states
    log_weight, mean, drawn, flow_sd = condition(
        foresight.mean,
        foresight.covariance,
        foresight.variance,
        shown.rows,
        np.arange(states.start, states.stop),
        shown.values,
        shown.spreads,
        foresight.normals,
        foresight.flow_slope,
    )
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
    states = foresight.states
    none = np.zeros((1, 0))
    _, mean, drawn, flow_sd = condition(
        foresight.mean,
        foresight.covariance,
        foresight.variance,
        np.zeros(0, dtype=np.int64),
        np.arange(states.start, states.stop),
        none,
        none,
        foresight.normals,
        foresight.flow_slope,
    )
    weights = np.full(flow_sd.shape, 1.0 / flow_sd.shape[1])
    return Outcomes(weights, drawn, mean, flow_sd)


@njit(cache=True)
def condition(  # type: ignore[no-untyped-def]
    mean, covariance, variance, rows, states, shown, spreads, normals, flow_slope
):
    """Condition every draw's normal on every imagined outcome.

    Args:
        mean, covariance: (s, k + t), (s, k + t, k + t).
        variance: (s, k) of ordinary errors.
        rows: (r,) readings taken.
        states: (t,) places of the states.
        shown: (i, r) what the kits show.
        spreads: (i, r) factor on each error's sd.
        normals, flow_slope: (s, t), see `Foresight`.

    Returns:
        log density of each outcome under each draw (i, s), mean and draw of the states (i, s, t),
        sd of log needed flow (i, s).
    """
    count, outcomes = len(mean), len(shown)
    r, t = len(rows), len(states)
    log_density = np.zeros((outcomes, count))
    centre = np.empty((outcomes, count, t))
    drawn = np.empty((outcomes, count, t))
    flow_sd = np.zeros((outcomes, count))
    root = np.zeros((r + t, r + t))
    ahead = np.zeros(r)
    for s in range(count):
        fresh = True
        for i in range(outcomes):
            ordinary = True
            for a in range(r):
                ordinary = ordinary and spreads[i, a] == 1.0
            # The root of the joint covariance of readings and states; most outcomes have ordinary
            # errors only and share one.
            if fresh or not ordinary:
                for a in range(r + t):
                    at = rows[a] if a < r else states[a - r]
                    for b in range(a + 1):
                        to = rows[b] if b < r else states[b - r]
                        total = covariance[s, at, to]
                        if a == b:
                            total += variance[s, at] * spreads[i, a] ** 2 if a < r else 1e-14
                        for m in range(b):
                            total -= root[a, m] * root[b, m]
                        if a == b:
                            root[a, a] = np.sqrt(max(total, 1e-18))
                        else:
                            root[a, b] = total / root[b, b]
                fresh = not ordinary
            for a in range(r):
                total = shown[i, a] - mean[s, rows[a]]
                for m in range(a):
                    total -= root[a, m] * ahead[m]
                ahead[a] = total / root[a, a]
                log_density[i, s] -= 0.5 * ahead[a] ** 2 + np.log(root[a, a])
            for a in range(t):
                total = mean[s, states[a]]
                for m in range(r):
                    total += root[r + a, m] * ahead[m]
                centre[i, s, a] = total
                for m in range(a + 1):
                    total += root[r + a, r + m] * normals[s, m]
                drawn[i, s, a] = total
            for m in range(t):
                along = 0.0
                for a in range(m, t):
                    along += flow_slope[s, a] * root[r + a, r + m]
                flow_sd[i, s] += along**2
            flow_sd[i, s] = np.sqrt(flow_sd[i, s])
    return log_density, centre, drawn, flow_sd
