"""Fits that are known: parameters that state a truth, and a posterior made by hand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta
from types import MappingProxyType
from typing import Any

import numpy as np

from estimator import units
from estimator.fit.checks import Diagnostics
from estimator.fit.fitting import Fit, fit_of
from estimator.fit.jumps import Jumps
from estimator.fit.kalman import System
from estimator.fit.layout import (
    CALCIUM_SHARE,
    DRIFT,
    EFFLUENT_DRIFT,
    LEVEL_RESPONSE,
    LIGHT_RATIO,
    LOAD_SHARE,
    PH_RESPONSE,
    PHYSICAL,
    SATURATED_INCREMENT,
    UNLOGGED_CALCIUM,
    UPTAKE,
    VOLUME,
)
from estimator.fit.posterior import Posterior
from estimator.fit.problem import Problem, pose
from estimator.fit.schedule import Schedule
from estimator.fit.trace import Trace, made_up_trace
from estimator.inputs.records import TankLog
from estimator.inputs.tank import Tank
from estimator.synthetic.simulation import Truth
from estimator.water import supply
from estimator.water.supply import Floats, SupplyLaw
from helpers.tanks import Case

MIDDLE = 8.2 * units.MEQ_L_PER_DKH
UNLOGGED_SCALE = 0.05
"""Relative scale of calcium that is missing from a log, where a truth has none missing."""
GOOD = Diagnostics(1.001, 1500.0, 1200.0, "uptake now", 0, 4, 500, ())


def part_of(trace: Trace, which: slice) -> Trace:
    """Some of the draws of every chain."""
    return replace(
        trace,
        z=trace.z[:, which],
        natural=np.ascontiguousarray(trace.natural[:, which]),
        misread=np.ascontiguousarray(trace.misread[:, which]),
        jump=np.ascontiguousarray(trace.jump[:, which]),
    )


def still_trace(problem: Problem, natural: np.ndarray, copies: int = 2) -> Trace:
    """A trace whose every draw is the same (p,), every reading an ordinary one, nothing jumped."""
    shape = (1, copies, len(natural))
    classes = np.zeros((1, copies, len(problem.schedule.readings)), dtype=np.int64)
    jump = np.zeros((1, copies), dtype=np.int64)
    return Trace(np.zeros(shape), np.broadcast_to(natural, shape).copy(), classes, jump, 0, 0, 1.0)


def theta_of(case: Case, schedule: Schedule, drift: float = 0.02) -> np.ndarray:
    """theta (p,) of `mass_balance.fill` that states a truth, with the first day's uptake as u_0."""
    truth = case.truth
    saturated = truth.saturated_increment_meq_l * truth.effluent_strength[0]
    half_flow_l_d = truth.half_flow_ml_h * units.HOURS_PER_DAY / 1000
    theta = np.zeros(schedule.parameters)
    theta[VOLUME] = truth.volume_l
    theta[LIGHT_RATIO] = truth.light_ratio
    theta[UPTAKE] = truth.uptake_meq_l_d[0]
    theta[CALCIUM_SHARE] = truth.calcium_share
    theta[SATURATED_INCREMENT] = saturated
    theta[LOAD_SHARE] = schedule.shape.load_meq_d / (saturated * half_flow_l_d)
    theta[DRIFT], theta[EFFLUENT_DRIFT] = drift, 0.4 * drift
    theta[LEVEL_RESPONSE] = truth.uptake_per_meq_l
    theta[PH_RESPONSE] = truth.ph_response
    theta[UNLOGGED_CALCIUM] = UNLOGGED_SCALE
    calibrations = [truth.kit_calibration.get(pair, 1.0) for pair in schedule.bottles]
    errors = [truth.drifting[name] for name in schedule.layout.instruments]
    repeats = [truth.kit_repeatability.get(kit.name, 0.1) for kit in schedule.kits]
    theta[PHYSICAL:] = [*calibrations, *(part for pair in errors for part in pair), *repeats]
    return theta


def follow(
    system: System,
    schedule: Schedule,
    truth: Truth,
    alpha: float,
    begin: Mapping[int, float] = MappingProxyType({}),
) -> np.ndarray:
    """Readings (m,) that the linear system expects along a true path: no noise, no errors.

    Daily changes of uptake and effluent strength enter at the midnights, as drift would; states
    that no truth speaks of begin at nothing, or as `begin` says by their place.
    """
    layout = schedule.layout
    state = np.zeros(layout.size)
    state[layout.alkalinity] = truth.start["alkalinity"]
    if layout.z >= 0:
        state[layout.z] = truth.start["calcium"] - alpha * truth.start["alkalinity"]
    if layout.nitrate >= 0:
        state[layout.nitrate] = truth.start["nitrate"]
        state[layout.nitrate_rate] = truth.nitrate_rate_mmol_l_d
    for j, name in enumerate(layout.waters):
        state[layout.first_water + 2 * j] = truth.waters[name]["alkalinity"]
        state[layout.first_water + 2 * j + 1] = truth.waters[name]["calcium"]
    for place, value in begin.items():
        state[place] = value
    day_of = {int(step): j for j, step in enumerate(schedule.day_step)}
    moving = layout.moving
    expected = np.full(len(system.offset), np.nan)
    for i in range(len(system.offset)):
        moved = system.transition[i] @ state + system.offset[i]
        state = np.concatenate([moved, state[moving:]])
        if system.observed[i]:
            expected[i] = system.loading[i] @ state + system.intercept[i]
        if i in day_of:
            uptake, strength = truth.uptake_meq_l_d, truth.effluent_strength
            state[layout.uptake] = uptake[day_of[i]] / uptake[0] - 1
            if layout.effluent >= 0:
                state[layout.effluent] = strength[day_of[i]] / strength[0] - 1
    return expected[schedule.reading_step]


NO_JUMP = Jumps(*(np.array([value]) for value in (0, -1, 0, 0)), np.zeros(1), np.zeros(1))
"""A table of candidates that holds none but "none"."""


def known_law(
    *,
    gain: Floats = 5.4,
    reach: Floats = 0.6,
    at_l_d: float = 50.0,
    volume_l: Floats = 600.0,
    middle_meq_l: float = MIDDLE,
    level_response_per_d: Floats = 0.0,
    chambers: int = 1,
) -> SupplyLaw:
    """The law of a reactor whose effluent is known at one flow.

    Args:
        gain: effluent alkalinity over water at the middle of the band, meq/L, at the flow `at_l_d`.
        reach: part of saturation that one chamber reaches there; 1 for a chamber that saturates
            at any flow.
        at_l_d: see `gain`.
        volume_l, middle_meq_l, level_response_per_d, chambers: as in `SupplyLaw`.
    """
    # Half flows beyond all pumps stand for a chamber without limit.
    half_flow_l_d = at_l_d * reach / np.maximum(1.0 - np.asarray(reach), 1e-9)
    reached = supply.reach(at_l_d / half_flow_l_d, chambers)
    return SupplyLaw(
        volume_l=volume_l,
        saturated_meq_l=gain / reached,
        half_flow_l_d=half_flow_l_d,
        middle_meq_l=middle_meq_l,
        level_response_per_d=level_response_per_d,
        chambers=chambers,
    )


def known_posterior(
    draws: int = 400,
    days: int = 3,
    log_sd: float = 0.0,
    *,
    uptake: Floats = 0.5,
    gain: Floats = 5.4,
    reach: Floats = 0.6,
    flow_l_d: float | None = 50.0,
    at_l_d: float = 50.0,
    volume_l: Floats = 600.0,
    calcium_share: Floats = 0.5,
    level_response_l_meq: Floats = 0.0,
    middle_meq_l: float = MIDDLE,
    chambers: int = 1,
    **changes: Any,
) -> Posterior:
    """A fit that is known: 600 L at the band's middle, the same uptake every day.

    Unchanged, the effluent is 5.4 meq/L above the middle at 50 L/day, where it reaches 0.6 of
    saturation (9 meq/L, F0 75 L/day), and 60 L/day would hold the level.

    Args:
        draws, days: s, and how many days from 1 March 2026.
        log_sd: spread of uptake and of effluent strength.
        uptake: meq/L/day at the middle of the band, one number or (s,).
        gain, reach, at_l_d: of the chamber, see `known_law`.
        flow_l_d: that runs; None for a reactor that never ran.
        volume_l: one number or (s,).
        calcium_share: mmol of calcium taken up per meq, one number or (s,).
        level_response_l_meq: η.
        middle_meq_l: middle of the band, where the level is.
        chambers: one or two.
        changes: fields that are to be as given; others do not follow them.
    """
    rng = np.random.default_rng(1)
    ones = np.ones(draws)
    per_draw = uptake * np.exp(log_sd * rng.standard_normal(draws))
    by_day = np.repeat(per_draw[:, None], days, axis=1)
    share = calcium_share * ones
    law = known_law(
        gain=gain * np.exp(log_sd * rng.standard_normal(draws)),
        reach=reach * ones,
        at_l_d=at_l_d,
        volume_l=volume_l * ones,
        middle_meq_l=middle_meq_l,
        level_response_per_d=level_response_l_meq * per_draw,
        chambers=chambers,
    )._replace(strength=ones)
    posterior = Posterior(
        chains=4,
        volume_l=volume_l * ones,
        light_share=0.4 * ones,
        calcium_share=share,
        level_response_l_meq=level_response_l_meq * ones,
        load_share=per_draw * law.volume_l / (law.saturated_meq_l * law.half_flow_l_d),
        ph_response=0.7 * ones,
        drift=0.0 * ones,
        effluent_drift=0.0 * ones,
        uptake_scale=per_draw,
        days=tuple(date(2026, 3, 1) + timedelta(days=j) for j in range(days)),
        uptake_meq_l_d=by_day,
        calcium_uptake_mmol_l_d=share[:, None] * by_day,
        alkalinity_meq_l=middle_meq_l * np.ones((draws, days)),
        calcium_mmol_l=None,
        alkalinity_now_meq_l=middle_meq_l * ones,
        calcium_now_mmol_l=None,
        nitrate_loss_meq_l_d=None,
        law=law,
        media_magnesium_share=0.0 * ones,
        unlogged_calcium_mmol_l_d=None,
        strength=np.ones((draws, days)),
        jump=np.zeros(draws, dtype=np.int64),
        jumps=NO_JUMP,
        last_run_flow_l_d=flow_l_d,
        present_flow_l_d=flow_l_d or 0.0,
        dosed_meq_d=0.0,
        effluent_tested=True,
        kit_calibration={},
        kit_repeatability={},
        checks=(),
        net_change=False,
        diagnostics=GOOD,
    )
    return replace(posterior, **changes)


def known_fit(log: TankLog, tank: Tank, posterior: Posterior) -> Fit:
    """A log with a posterior that is known; its trace is made up."""
    problem = pose(log, tank)
    return fit_of(problem, made_up_trace(problem), posterior)
