"""The posterior: named draws of parameters, and paths by day, canonical units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np

from estimator.fit.checks import (
    NOT_CHECKED,
    Diagnostics,
    Evidence,
    ReadingCheck,
    Scatter,
    check_readings,
    diagnose,
    scatter_of,
)
from estimator.fit.jumps import Jumps
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
    Shape,
)
from estimator.fit.load import ROOM
from estimator.fit.mass_balance import LEAST_UNLOGGED, NET_CHANGE_SCALE
from estimator.fit.problem import Problem
from estimator.fit.schedule import Schedule
from estimator.fit.state import TankState
from estimator.fit.states import DayStates, daily_mean, draw_day_states
from estimator.fit.trace import Trace
from estimator.water.light import day_shape, light_share
from estimator.water.supply import SupplyLaw, strength_after

CHECKED_DAYS, CHECKED_SPAN_D = 40, 60
"""Days of the uptake path that enter the checks, and how far back: neighbouring days are nearly the
same draw, and nothing that is advised hangs on a day long past."""


@dataclass(frozen=True)
class Posterior:
    """Draws (s,) in a fixed order, chain by chain, canonical units.

    Attributes:
        chains: number of chains; s = chains × draws.
        volume_l, light_share, calcium_share, drift, effluent_drift: see `mass_balance`.
        level_response_l_meq, load_share, ph_response: η, the load share and β of `mass_balance`.
        uptake_scale: meq/L/day that a relative change of 1 means.
        days: local days from the first entry to the last.
        uptake_meq_l_d: (s, days) net biological alkalinity uptake, daily mean.
        calcium_uptake_mmol_l_d: (s, days) by calcification.
        alkalinity_meq_l: (s, days) daily mean level.
        calcium_mmol_l: the same, or None where calcium was never tested.
        alkalinity_now_meq_l, calcium_now_mmol_l: level at the last entry, freed of the light's
            and of routine hand dosing's swing within the day.
        nitrate_loss_meq_l_d: (s,) part of the uptake now that is nitrate production, or None.
        law: the reactor's supply and the tank's answer to its level, as of now.
        media_magnesium_share: (s,) part of what dissolves that is magnesium.
        unlogged_calcium_mmol_l_d: (s, days) supply of calcium that nobody logged; None where
            calcium was never tested.
        strength: (s, days) of the effluent's increment over that at the log's start, by gas, media
            and chamber pH, at one flow and chamber setting.
        jump: (s,) which of the candidates `jumps` happened.
        jumps: see `jumps`.
        last_run_flow_l_d: the last flow that was not zero, None where none ran.
        present_flow_l_d: at the last entry.
        dosed_meq_d: alkalinity being dosed at the last entry, by rate and by hand.
        effluent_tested: an effluent reading is in the fit.
        flow_logged: the log has a flow, if only of zero.
        kit_calibration: by (kit, bottle) (s,); of the bottle in use as of now, a shift included.
        kit_repeatability: by kit (s,), canonical units.
        checks: one per used reading, in time order.
        net_change: no addition is in the log; uptake is the net change.
        diagnostics: see `Diagnostics`.
        evidence: the used readings beside the draws; None where none were looked at.
    """

    chains: int
    volume_l: np.ndarray
    light_share: np.ndarray
    calcium_share: np.ndarray
    level_response_l_meq: np.ndarray
    load_share: np.ndarray
    ph_response: np.ndarray
    drift: np.ndarray
    effluent_drift: np.ndarray
    uptake_scale: np.ndarray
    days: tuple[date, ...]
    uptake_meq_l_d: np.ndarray
    calcium_uptake_mmol_l_d: np.ndarray
    alkalinity_meq_l: np.ndarray
    calcium_mmol_l: np.ndarray | None
    alkalinity_now_meq_l: np.ndarray
    calcium_now_mmol_l: np.ndarray | None
    nitrate_loss_meq_l_d: np.ndarray | None
    law: SupplyLaw
    media_magnesium_share: np.ndarray
    unlogged_calcium_mmol_l_d: np.ndarray | None
    strength: np.ndarray
    jump: np.ndarray
    jumps: Jumps
    last_run_flow_l_d: float | None
    present_flow_l_d: float
    dosed_meq_d: float
    effluent_tested: bool
    kit_calibration: Mapping[tuple[str, int], np.ndarray]
    kit_repeatability: Mapping[str, np.ndarray]
    checks: tuple[ReadingCheck, ...]
    net_change: bool
    diagnostics: Diagnostics
    flow_logged: bool = False
    evidence: Evidence | None = None

    @property
    def scatter(self) -> Scatter:
        """How the used readings lie about the model."""
        return scatter_of(self.checks)

    @property
    def state(self) -> TankState:
        """The tank at the last entry."""
        return TankState(
            law=self.law,
            level_meq_l=self.alkalinity_now_meq_l,
            uptake_meq_l_d=self.uptake_at_middle_meq_l_d,
            uptake_drift_meq_l_d=self.uptake_scale * self.drift,
            effluent_drift=self.effluent_drift,
        )

    @property
    def middle_meq_l(self) -> float:
        """Middle of the alkalinity band."""
        return self.law.middle_meq_l

    @property
    def shown_flow_l_d(self) -> float:
        """Flow that the effluent is told at: the present one, else the last that ran, else the
        one that is needed."""
        usual = self.present_flow_l_d or self.last_run_flow_l_d
        return usual or float(np.median(self.needed_flow_l_d))

    @property
    def increment_meq_l(self) -> np.ndarray:
        """(s,) effluent alkalinity now over a tank at the middle of the band, at that flow."""
        return self.law.increment_at(self.shown_flow_l_d, self.middle_meq_l)

    def effluent_at(self, flow_l_d: float) -> np.ndarray:
        """(s,) effluent alkalinity now at a flow; of a planned reactor, fed from the middle."""
        level = self.alkalinity_now_meq_l
        if self.last_run_flow_l_d is None:
            level = np.full_like(level, self.middle_meq_l)
        return level + self.law.increment_at(flow_l_d, level)

    @property
    def effluent_meq_l(self) -> np.ndarray:
        """(s,) effluent alkalinity now at the flow that it is told at."""
        return self.effluent_at(self.shown_flow_l_d)

    @property
    def saturated_effluent_meq_l(self) -> np.ndarray:
        """(s,) effluent alkalinity at saturation, at the chamber's present pH."""
        return np.asarray(self.middle_meq_l + self.law.saturated_meq_l)

    @property
    def saturation_reached(self) -> np.ndarray:
        """(s,) part of its way from the band's middle to saturation that the effluent comes now."""
        return np.asarray(self.increment_meq_l / self.law.saturated_meq_l)

    @property
    def most_supply_meq_l_d(self) -> np.ndarray:
        """(s,) the most that the reactor can add to this tank, however fast water flows."""
        return np.asarray(self.law.limit_meq_d / self.volume_l)

    @property
    def uptake_at_middle_meq_l_d(self) -> np.ndarray:
        """(s,) net alkalinity uptake that the tank would have at the middle of its band."""
        off = self.alkalinity_now_meq_l - self.middle_meq_l
        return self.uptake_now_meq_l_d - self.law.level_response_per_d * off

    @property
    def needed_flow_l_d(self) -> np.ndarray:
        """(s,) flow that would hold the middle of the band, nothing being dosed, L/day."""
        return self.state.needed_flow_l_d

    @property
    def uptake_now_meq_l_d(self) -> np.ndarray:
        """(s,) net alkalinity uptake on the last day."""
        return self.uptake_meq_l_d[:, -1]

    @property
    def calcium_uptake_now_mmol_l_d(self) -> np.ndarray:
        """(s,) calcium uptake on the last day."""
        return self.calcium_uptake_mmol_l_d[:, -1]


def collect(
    problem: Problem, trace: Trace, seed: np.random.SeedSequence, cores: int | None = None
) -> Posterior:
    """Draw the levels that go with every draw of the parameters, and check the sampling.

    Args:
        problem: the log and the tank.
        trace: draws of the parameters and classes.
        seed: for the levels, which are drawn exactly given each draw.
        cores: that may be used; None: all.
    """
    schedule = problem.schedule
    chains, per_chain, _ = trace.natural.shape
    natural = trace.natural.reshape(chains * per_chain, -1)
    misread = trace.misread.reshape(chains * per_chain, -1)
    jump, rng = trace.jump.reshape(-1), np.random.default_rng(seed)
    states, expected = draw_day_states(problem, natural, misread, jump, rng, cores)
    posterior = describe(problem, natural, jump, states, chains)
    checks, evidence = check_readings(schedule, natural, expected, chains)
    return replace(
        posterior,
        checks=checks,
        evidence=evidence,
        diagnostics=diagnose(reported(posterior), chains, trace.divergences),
    )


def describe(
    problem: Problem, natural: np.ndarray, jump: np.ndarray, states: DayStates, chains: int
) -> Posterior:
    """What draws of parameters `natural` (s, p), jumps (s,) and states with them mean for the tank.

    `chains`: of which the draws come. Reading checks and diagnostics are still empty.
    """
    schedule, shape = problem.schedule, problem.schedule.shape
    tested = any(r.sample == "effluent" for r in schedule.readings)
    over_time = _over_time(problem, natural, states)
    law = law_now(natural, schedule, strength_after(states.effluent[:, -1]))
    if not tested:
        off = over_time["alkalinity_now_meq_l"] - shape.middle
        at_middle = over_time["uptake_meq_l_d"][:, -1] - law.level_response_per_d * off
        law = law.with_room(at_middle * law.volume_l, ROOM, shape.load_meq_d)
    magnesium = np.full(len(natural), 1 - 2 * shape.media_calcium)
    if states.magnesium is not None:
        magnesium = np.clip(magnesium + states.magnesium, 0.0, 1.0)
    kits = natural[:, shape.first_repeatability :]
    return Posterior(
        chains=chains,
        volume_l=natural[:, VOLUME],
        light_share=light_share(natural[:, LIGHT_RATIO], shape.lit),
        calcium_share=natural[:, CALCIUM_SHARE],
        level_response_l_meq=natural[:, LEVEL_RESPONSE],
        load_share=natural[:, LOAD_SHARE],
        ph_response=natural[:, PH_RESPONSE],
        drift=natural[:, DRIFT],
        effluent_drift=natural[:, EFFLUENT_DRIFT],
        uptake_scale=scale_of(natural, shape),
        days=tuple(schedule.origin.date() + timedelta(days=j) for j in range(schedule.days)),
        law=law,
        media_magnesium_share=magnesium,
        jump=jump,
        jumps=problem.frame.jumps,
        last_run_flow_l_d=schedule.last_run_flow_l_d,
        present_flow_l_d=schedule.present_flow_l_d,
        dosed_meq_d=schedule.settings.dosed_now_meq_d,
        effluent_tested=tested,
        flow_logged=any(action.kind == "flow" for action in problem.log.actions),
        kit_calibration=_calibrations(schedule, natural, states),
        kit_repeatability={kit.name: kits[:, i] for i, kit in enumerate(schedule.kits)},
        checks=(),
        net_change=shape.net_change,
        diagnostics=NOT_CHECKED,
        **over_time,
    )


def _calibrations(
    schedule: Schedule, natural: np.ndarray, states: DayStates
) -> dict[tuple[str, int], np.ndarray]:
    """Reading over level of each bottle (s,), of the one in use as it reads now."""
    found = {pair: natural[:, PHYSICAL + i] for i, pair in enumerate(schedule.bottles)}
    if states.kit_shift is not None:
        in_use = schedule.bottles[schedule.bottle_in_use]
        found[in_use] = found[in_use] * (1.0 + states.kit_shift)
    return found


def scale_of(natural: np.ndarray, shape: Shape) -> np.ndarray:
    """(s,) meq/L/day that a relative change of uptake of 1 means."""
    start = natural[:, UPTAKE]
    return np.full_like(start, NET_CHANGE_SCALE) if shape.net_change else start


def level_response_per_d(natural: np.ndarray, shape: Shape) -> np.ndarray:
    """(s,) λ of `mass_balance`."""
    scale = 0.0 if shape.net_change else shape.uptake_scale
    return natural[:, LEVEL_RESPONSE] * scale


def _over_time(problem: Problem, natural: np.ndarray, states: DayStates) -> dict[str, Any]:
    """What the posterior holds by day, and as of now; see `Posterior`."""
    schedule, tank, shape = problem.schedule, problem.tank, problem.schedule.shape
    volume, start = natural[:, VOLUME], natural[:, UPTAKE]
    share = light_share(natural[:, LIGHT_RATIO], shape.lit)
    response = level_response_per_d(natural, shape)
    # How far a level under steady supply stands below its daily mean, in days of uptake.
    midnight = day_shape(tank, share, 0.0)
    end = day_shape(tank, share, float(schedule.step_time_d[-1]) % 1.0)
    by_hand = [above / volume for above in schedule.settings.hand_dosing_above_mean]
    at_middle = start[:, None] + scale_of(natural, shape)[:, None] * states.uptake
    alkalinity = daily_mean(states.alkalinity, at_middle, midnight, end)
    alkalinity_now = states.alkalinity[:, -1] + at_middle[:, -1] * end - by_hand[0]
    levels = np.column_stack([alkalinity[:, :-1], alkalinity_now])
    calcified = at_middle + response[:, None] * (levels - shape.middle)
    calcium_uptake = natural[:, CALCIUM_SHARE, None] * calcified
    calcium = calcium_now = None
    if states.calcium is not None:
        calcium = daily_mean(states.calcium, calcium_uptake, midnight, end)
        calcium_now = states.calcium[:, -1] + calcium_uptake[:, -1] * end - by_hand[1]
    unlogged, nitrate = states.unlogged, states.nitrate_rate
    if unlogged is not None:
        unlogged = unlogged * (
            (LEAST_UNLOGGED + natural[:, UNLOGGED_CALCIUM, None]) * 0.5 * shape.uptake_scale
        )
    departures = [schedule.settings.departure_log_ratio(j + 0.5) for j in range(schedule.days)]
    by_ph = natural[:, PH_RESPONSE, None] * np.array(departures)
    return {
        "uptake_meq_l_d": calcified if nitrate is None else calcified + nitrate,
        "calcium_uptake_mmol_l_d": calcium_uptake,
        "alkalinity_meq_l": alkalinity,
        "calcium_mmol_l": calcium,
        "alkalinity_now_meq_l": alkalinity_now,
        "calcium_now_mmol_l": calcium_now,
        "nitrate_loss_meq_l_d": None if nitrate is None else nitrate[:, -1],
        "unlogged_calcium_mmol_l_d": unlogged,
        "strength": strength_after(states.effluent) * np.exp(by_ph),
    }


def law_now(natural: np.ndarray, schedule: Schedule, strength: np.ndarray) -> SupplyLaw:
    """The supply law at the last entry.

    Args:
        natural: (s, p) parameters.
        schedule: the log.
        strength: (…, s) of the effluent, see `SupplyLaw`.
    """
    column, shape = np.ascontiguousarray(natural.T), schedule.shape
    at_setting = column[SATURATED_INCREMENT]
    end_ph = schedule.settings.log_ph_ratio(float(schedule.step_time_d[-1]))
    return SupplyLaw(
        volume_l=column[VOLUME],
        saturated_meq_l=at_setting * np.exp(column[PH_RESPONSE] * end_ph),
        half_flow_l_d=shape.load_meq_d / (at_setting * column[LOAD_SHARE]),
        middle_meq_l=shape.middle,
        strength=strength,
        level_response_per_d=level_response_per_d(natural, shape),
        chambers=shape.chambers,
    )


def reported(posterior: Posterior) -> dict[str, np.ndarray]:
    """Every reported quantity by name, draws (s,): what the checks of sampling look at."""
    # The needed flow spans orders of magnitude where data are few: checked as its logarithm.
    needed = posterior.needed_flow_l_d
    quantities = {
        "water volume": posterior.volume_l,
        "uptake now": posterior.uptake_now_meq_l_d,
        "calcium uptake now": posterior.calcium_uptake_now_mmol_l_d,
        "calcium per alkalinity": posterior.calcium_share,
        "alkalinity now": posterior.alkalinity_now_meq_l,
        "effluent alkalinity": posterior.effluent_meq_l,
        "needed flow": np.log(np.clip(needed, 1e-6, None)),
    }
    if posterior.calcium_now_mmol_l is not None:
        quantities["calcium now"] = posterior.calcium_now_mmol_l
    for (name, bottle), draws in posterior.kit_calibration.items():
        quantities[f"calibration of {name}, bottle {bottle + 1}"] = draws
    for name, draws in posterior.kit_repeatability.items():
        quantities[f"repeatability of {name}"] = draws
    first = max(0, len(posterior.days) - CHECKED_SPAN_D)
    every = max(1, -(-(len(posterior.days) - first) // CHECKED_DAYS))
    for j in range(first, len(posterior.days), every):
        quantities[f"uptake on {posterior.days[j]}"] = posterior.uptake_meq_l_d[:, j]
    return quantities
