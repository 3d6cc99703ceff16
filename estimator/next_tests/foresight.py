"""Prediction of readings not yet taken, jointly with the state that the needed flow depends on.

Given one draw of the parameters the tank is linear and Gaussian, so readings to come and the state
are jointly normal, with means and covariances that the Kalman filter gives exactly
(`kalman.joint_prediction`). The posterior predictive distribution is a mixture of one such normal
per draw. Imagined readings are drawn from it, with the kit's calibration error, scatter, step and
outlier classes; `outcomes` updates the mixture by them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime

import numpy as np

from estimator.fit import layout
from estimator.fit.bottles import shown_before
from estimator.fit.jumps import placed
from estimator.fit.kalman import joint_prediction
from estimator.fit.likelihood import MISREAD_CHANCE, MISREAD_SPREAD, system_of
from estimator.fit.load import ROOM
from estimator.fit.mass_balance import NET_CHANGE_SCALE
from estimator.fit.posterior import law_now
from estimator.fit.problem import Problem, pose
from estimator.fit.schedule import Schedule
from estimator.fit.state import TankState
from estimator.fit.trace import Trace, thinned
from estimator.inputs.records import Action, Reading, TankLog
from estimator.water.light import day_shape, light_share, lit_fraction
from estimator.water.settings import day_of
from estimator.water.supply import SupplyLaw, strength_after

FORESIGHT_DRAWS = 1000
"""Draws of the posterior that stand for it here."""
IMAGINED_OUTCOMES = 100
"""Imagined outcomes of each set of tests."""
MOST_REPEATS = 5
MOMENT = "moment"
"""Kind of an action that does nothing but end a step, so that the states at its time can be had."""
TINY = 1e-4
"""Step of a numerical derivative by the states."""
MOST_HALF_FLOWS = 20.0
"""A needed flow counts as so many half flows at most: there a chamber gives 19 in 20 parts of its
limit. Beyond, or where no flow is enough, few draws would outweigh all others (no source)."""


@dataclass(frozen=True)
class Present:
    """Parameters (s,), which turn filter states into a `TankState`.

    Attributes:
        law: of the supply, at the strength of the log's start.
        load_share: see `mass_balance`.
        shown_flow_l_d: flow that the effluent is told at.
        untested_meq_d: load, with its room, that an untested reactor's F0 was placed by; None for
            a tested one.
        uptake_start, uptake_scale: meq/L/day; uptake by calcification is the first, and the second
            times the filter's uptake state.
        drift, effluent_drift: relative sd of uptake's and of the increment's change in a day.
        level_shift_meq_l: to take off the level for the swing of routine hand dosing.
        shape_d: level above the daily mean by light, in days of uptake.
        places: which of the t states is alkalinity, uptake, effluent, nitrate production and the
            shift of the kit's calibration; −1 where the log has no use for one.
        light_ratio: uptake in the light over that in the dark.
        kit_calibration: reading over level of the kit that tests the tank's alkalinity, without
            its shift.
    """

    law: SupplyLaw
    load_share: np.ndarray
    shown_flow_l_d: float
    untested_meq_d: float | None
    uptake_start: np.ndarray
    uptake_scale: np.ndarray
    drift: np.ndarray
    effluent_drift: np.ndarray
    level_shift_meq_l: np.ndarray
    shape_d: np.ndarray
    places: tuple[int, ...]
    light_ratio: np.ndarray
    kit_calibration: np.ndarray

    def some(self, chosen: np.ndarray) -> Present:
        """The same for some of the draws."""
        arrays = {
            field.name: getattr(self, field.name)[chosen]
            for field in fields(self)
            if isinstance(getattr(self, field.name), np.ndarray)
        }
        return replace(self, law=self.law.each(lambda draws: draws[chosen]), **arrays)

    @property
    def volume_l(self) -> np.ndarray:
        """Water volume (s,)."""
        return np.asarray(self.law.volume_l)

    def state(self, states: np.ndarray) -> TankState:
        """The tank at filter states (…, s, t)."""
        alkalinity, uptake, effluent, nitrate, _ = self.places
        calcified = self.uptake_start + self.uptake_scale * states[..., uptake]
        change = states[..., effluent] if effluent >= 0 else np.zeros(states.shape[:-1])
        net = calcified + (states[..., nitrate] if nitrate >= 0 else 0.0)
        law = self.law._replace(strength=self.law.strength * strength_after(change))
        if self.untested_meq_d is not None:
            law = law.with_room(net * self.volume_l, ROOM, self.untested_meq_d)
        return TankState(
            law=law,
            level_meq_l=states[..., alkalinity] + calcified * self.shape_d - self.level_shift_meq_l,
            uptake_meq_l_d=net,
            uptake_drift_meq_l_d=self.uptake_scale * self.drift,
            effluent_drift=self.effluent_drift,
        )

    def reads(self, states: np.ndarray) -> np.ndarray:
        """Reading over level of the kit (…, s) at filter states (…, s, t), its shift included."""
        shift = states[..., self.places[4]] if self.places[4] >= 0 else 0.0
        return np.asarray(self.kit_calibration * (1.0 + shift))

    def log_flow(self, states: np.ndarray) -> np.ndarray:
        """Log of the needed flow, L/day (…, s), see `MOST_HALF_FLOWS`; −∞ where none is needed."""
        state = self.state(states)
        with np.errstate(divide="ignore"):
            flow = np.minimum(state.needed_flow_l_d, MOST_HALF_FLOWS * state.law.half_flow_l_d)
            return np.asarray(np.log(flow))


def slopes(function: Callable[[np.ndarray], np.ndarray], states: np.ndarray) -> np.ndarray:
    """Derivative (…, s, t) of a function (…, s) of the states by the states (s, t)."""
    here = function(states)
    found = np.empty((*here.shape, states.shape[1]))
    for t in range(states.shape[1]):
        moved = states.copy()
        moved[:, t] += TINY
        with np.errstate(invalid="ignore"):
            found[..., t] = (function(moved) - here) / TINY
    return found


@dataclass(frozen=True)
class Foresight:
    """Readings that could be taken, and the state, as one mixture of normals, with random numbers.

    The random numbers are the same for every set of tests, so that differences between sets are not
    noise. With s draws, k possible readings, t states and i imagined outcomes:

    Attributes:
        readings: (k) the possible readings, values zero.
        mean: (s, k + t) of what each kit would show without its scatter, then of the states.
        covariance: (s, k + t, k + t).
        variance: (s, k) of the scatter of an ordinary reading, rounding included.
        scatter_sd: (s, k) the same without rounding, as an sd.
        step: (k,) of the kit.
        picks: (i,) the draw that each outcome is imagined from.
        truth: (i, k) imagined true readings.
        errors: (i, k, MOST_REPEATS) standard normal, of each repeat.
        spreads: (i, k, MOST_REPEATS) factor on the sd of each error, by its outlier class.
        volume_errors: (i,) standard normal, for a measurement of the water volume.
        flow_slope: (s, t) derivative of log needed flow by the states at their means.
        normals: (s, t) standard normal, for drawing the states.
        present: parameters of each draw.
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
    draws: int = FORESIGHT_DRAWS,
    imagined: int = IMAGINED_OUTCOMES,
) -> Foresight:
    """Joint predictions of readings not yet taken.

    Args:
        problem, trace: the fit so far.
        readings: that could be taken after `log.end`, of parameters that the model uses; their
            values are ignored.
        seed: for what is imagined.
        actions: to be done meanwhile.
        at: when the states are wanted, `log.end` or later; default `log.end`.
        draws, imagined: how many draws stand for the posterior, and how many outcomes are imagined.
    """
    at = at or problem.log.end
    longer = pose(_lengthened(problem.log, readings, actions, at), problem.tank)
    rng = np.random.default_rng(seed)
    chosen = thinned(trace.natural.shape[0] * trace.natural.shape[1], draws)
    natural = _natural_ahead(problem, longer, trace, chosen, rng)
    misread = trace.misread.reshape(-1, trace.misread.shape[-1])[chosen]
    jump = trace.jump.reshape(-1)[chosen]
    rows = _rows_of(longer.schedule, readings)
    mean, covariance = _predict(problem, longer, natural, (misread, jump), rows, at)
    steps = longer.schedule.steps[longer.schedule.reading_step[rows]]
    first_kit = longer.schedule.shape.first_repeatability
    scatter_sd = np.ascontiguousarray(steps["scatter"] * natural[:, first_kit + steps["kit"]])
    picks = thinned(len(chosen), imagined)
    present = _present(problem, longer.schedule, natural, at)
    slope = slopes(present.log_flow, mean[:, len(rows) :])
    shape = (len(picks), len(rows), MOST_REPEATS)
    classes = rng.choice(len(MISREAD_CHANCE), size=shape, p=MISREAD_CHANCE)
    return Foresight(
        readings=tuple(readings),
        mean=mean,
        covariance=covariance,
        variance=scatter_sd**2 + steps["rounding"],
        scatter_sd=scatter_sd,
        step=np.sqrt(12.0 * steps["rounding"]),
        picks=picks,
        truth=_draw_each(mean[picks], covariance[picks], rng)[:, : len(rows)],
        errors=rng.standard_normal(shape),
        spreads=MISREAD_SPREAD[classes],
        volume_errors=rng.standard_normal(len(picks)),
        flow_slope=np.where(np.isfinite(slope), slope, 0.0),
        normals=rng.standard_normal(slope.shape),
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
    natural[:, : layout.PHYSICAL] = known[:, : layout.PHYSICAL]
    # The kits' priors are log-normal: natural = median exp(root z), bottles after earlier ones.
    z = np.zeros_like(natural)
    for place in range(layout.PHYSICAL, table.size):
        prior, root = table.priors[place], table.arrays.root[place]
        others = z[:, :place] @ root[:place]
        if prior.name in names:
            natural[:, place] = known[:, names.index(prior.name)]
            z[:, place] = (np.log(natural[:, place] / prior.median) - others) / root[place]
        else:
            z[:, place] = rng.standard_normal(len(chosen))
            natural[:, place] = prior.median * np.exp(others + root[place] * z[:, place])
    return natural


def _wanted(problem: Problem, longer: Schedule) -> tuple[int, ...]:
    """States that the needed flow depends on: alkalinity, uptake, effluent, nitrate; then the shift
    of the kit that tests the tank, if it is the one that may have shifted; −1: unused."""
    places = longer.layout
    same = longer.bottle_in_use == _may_have_shifted(problem, longer)
    shift = places.kit_shift if same else -1
    return (0, places.uptake, places.effluent, places.nitrate_rate, shift)


def _may_have_shifted(problem: Problem, longer: Schedule) -> int:
    """Place among the longer schedule's bottles of the one in use in the fit; −1 for none."""
    known, place = problem.schedule.bottles, problem.schedule.bottle_in_use
    return longer.bottles.index(known[place]) if place >= 0 else -1


def _predict(
    problem: Problem,
    longer: Problem,
    natural: np.ndarray,
    happened: tuple[np.ndarray, np.ndarray],
    rows: np.ndarray,
    at: datetime,
) -> tuple[np.ndarray, np.ndarray]:
    """Means (s, k + t) and covariances of readings `rows` (k,) and of the t states at a time.

    `happened`: classes of the readings (s, m) and jumps (s,).
    """
    ahead, (misread, jump) = longer.schedule, happened
    kept = [state for state in _wanted(problem, ahead) if state >= 0]
    k, t = len(rows), len(kept)
    at_d = day_of(at, ahead.origin)
    at_step = int(np.searchsorted(ahead.step_time_d, at_d + 1e-9, side="right")) - 1
    # All in the order of time, in which the filter meets them.
    reading_step = ahead.reading_step[rows]
    steps = np.concatenate([reading_step, np.full(t, at_step)])
    order = np.argsort(steps, kind="stable")
    steps, place = steps[order], np.argsort(order)
    past = np.setdiff1d(np.arange(len(ahead.readings)), rows)
    spread = np.ones((len(natural), len(ahead.readings)))
    spread[:, past] = MISREAD_SPREAD[misread]
    # Parameters mean what they meant in the fit, whatever the lengthened log would make of them.
    known = problem.frame.shape
    shape = longer.frame.shape._replace(
        net_change=known.net_change,
        load_meq_d=known.load_meq_d,
        uptake_scale=known.uptake_scale,
    )
    table = ahead.steps.copy()
    table["shown_meq_l"] = shown_before(table, _may_have_shifted(problem, ahead), shape.middle)
    jumps = placed(problem.frame.jumps, ahead)
    frame = longer.frame._replace(shape=shape, jumps=jumps, steps=table)
    mean = np.empty((len(natural), k + t))
    covariance = np.empty((len(natural), k + t, k + t))
    loading = np.zeros((k + t, ahead.layout.size))
    loading[place[k:], kept] = 1.0
    intercept = np.zeros(k + t)
    for s in range(len(natural)):
        system = system_of(natural[s], spread[s], jump[s], frame)
        system.observed[reading_step] = False
        loading[place[:k]] = system.loading[reading_step]
        intercept[place[:k]] = system.intercept[reading_step]
        mean[s], covariance[s] = joint_prediction(system, steps, loading, intercept)
    mean, covariance = mean[:, place], covariance[:, place[:, None], place]
    # The compiled code is for arrays in C order.
    return np.ascontiguousarray(mean), np.ascontiguousarray(covariance)


def _draw_each(mean: np.ndarray, covariance: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """One draw (i, k) of each normal, whose covariance may be singular."""
    scale = np.sqrt(np.einsum("ikk->ik", covariance)) + 1e-9
    correlation = covariance / scale[:, :, None] / scale[:, None, :]
    root = np.linalg.cholesky(correlation + 1e-9 * np.eye(mean.shape[1]))
    return mean + scale * np.einsum("ikl,il->ik", root, rng.standard_normal(mean.shape))


def _present(problem: Problem, longer: Schedule, natural: np.ndarray, at: datetime) -> Present:
    """The parameters (s, p) of the lengthened schedule; see `posterior.describe`."""
    schedule, wanted = problem.schedule, _wanted(problem, longer)
    column = np.ascontiguousarray(natural.T)
    start = column[layout.UPTAKE]
    net_change = not schedule.additions
    tested = any(reading.sample == "effluent" for reading in schedule.readings)
    share = light_share(column[layout.LIGHT_RATIO], lit_fraction(problem.tank))
    kept = [state for state in wanted if state >= 0]
    return Present(
        law=law_now(natural, schedule, np.ones(len(natural))),
        load_share=column[layout.LOAD_SHARE],
        shown_flow_l_d=float(longer.steps["shown_flow_l_d"][-1]),
        untested_meq_d=None if tested else schedule.shape.load_meq_d,
        uptake_start=start,
        uptake_scale=np.full_like(start, NET_CHANGE_SCALE) if net_change else start,
        drift=column[layout.DRIFT],
        effluent_drift=column[layout.EFFLUENT_DRIFT],
        level_shift_meq_l=schedule.settings.hand_dosing_above_mean[0] / column[layout.VOLUME],
        shape_d=day_shape(problem.tank, share, day_of(at, schedule.origin) % 1.0),
        places=tuple(kept.index(state) if state >= 0 else -1 for state in wanted),
        light_ratio=column[layout.LIGHT_RATIO],
        kit_calibration=column[layout.PHYSICAL + longer.bottle_in_use]
        if longer.bottle_in_use >= 0
        else np.ones(len(start)),
    )
