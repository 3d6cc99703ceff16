"""The posterior: named draws of parameters, and paths by day, canonical units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from estimator.fit.checks import (
    NOT_CHECKED,
    Diagnostics,
    ReadingCheck,
    Scatter,
    check_readings,
    diagnose,
    scatter_of,
)
from estimator.fit.layout import (
    CALCIUM_SHARE,
    DRIFT,
    EFFLUENT_DRIFT,
    EXPONENT,
    INCREMENT,
    LIGHT_RATIO,
    PHYSICAL,
    UPTAKE,
    VOLUME,
)
from estimator.fit.mass_balance import NET_CHANGE_SCALE
from estimator.fit.problem import Problem
from estimator.fit.sampling import Trace
from estimator.fit.state import TankState
from estimator.fit.states import DayStates, daily_mean, draw_day_states
from estimator.water import chamber_table
from estimator.water.light import day_shape, light_share
from estimator.water.supply import law_of, strength_after

CHECKED_DAYS, CHECKED_SPAN_D = 40, 60
"""Days of the uptake path that enter the checks, and how far back: neighbouring days are nearly the
same draw, and nothing that is advised hangs on a day long past."""


@dataclass(frozen=True)
class Posterior:
    """Draws (s,) in a fixed order, chain by chain, canonical units.

    Attributes:
        chains: number of chains; s = chains × draws.
        volume_l, light_share, calcium_share, exponent, drift, effluent_drift: see `model`.
        uptake_scale: meq/L/day that a relative change of 1 means.
        days: local days from the first entry to the last.
        uptake_meq_l_d: (s, days) net biological alkalinity uptake, daily mean.
        calcium_uptake_mmol_l_d: (s, days) by calcification.
        alkalinity_meq_l: (s, days) daily mean level.
        calcium_mmol_l: the same, or None where calcium was never tested.
        alkalinity_now_meq_l, calcium_now_mmol_l: level at the last entry, freed of the light's
            and of routine hand dosing's swing within the day.
        nitrate_loss_meq_l_d: (s,) part of the uptake now that is nitrate production, or None.
        increment_meq_l: (s,) now, over the middle of the band, at the reference flow.
        effluent_meq_l: (s,) effluent alkalinity now at the present flow (the planned one where
            the reactor never ran).
        middle_meq_l: middle of the alkalinity band.
        reference_flow_l_d: flow at which `increment_meq_l` holds, None where none ran.
        present_flow_l_d: at the last entry.
        dosed_meq_d: alkalinity being dosed at the last entry, by rate and by hand.
        effluent_tested: an effluent reading is in the fit.
        kit_calibration: by (kit, bottle) (s,).
        kit_repeatability: by kit (s,), canonical units.
        checks: one per used reading, in time order.
        net_change: no addition is in the log; uptake is the net change.
        diagnostics: see `Diagnostics`.
        ceiling_meq_l: largest increment that the chamber can give at its pH, see `chamber_table`.
    """

    chains: int
    volume_l: np.ndarray
    light_share: np.ndarray
    calcium_share: np.ndarray
    exponent: np.ndarray
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
    increment_meq_l: np.ndarray
    effluent_meq_l: np.ndarray
    middle_meq_l: float
    reference_flow_l_d: float | None
    present_flow_l_d: float
    dosed_meq_d: float
    effluent_tested: bool
    kit_calibration: Mapping[tuple[str, int], np.ndarray]
    kit_repeatability: Mapping[str, np.ndarray]
    checks: tuple[ReadingCheck, ...]
    net_change: bool
    diagnostics: Diagnostics
    ceiling_meq_l: float = np.inf

    @property
    def scatter(self) -> Scatter:
        """How the used readings lie about the model."""
        return scatter_of(self.checks)

    @property
    def state(self) -> TankState:
        """The tank at the last entry."""
        return TankState(
            law=law_of(
                self.volume_l,
                self.exponent,
                self.increment_meq_l,
                self.reference_flow_l_d,
                self.middle_meq_l,
                self.uptake_now_meq_l_d * self.volume_l,
                self.ceiling_meq_l,
            ),
            level_meq_l=self.alkalinity_now_meq_l,
            uptake_meq_l_d=self.uptake_now_meq_l_d,
            uptake_drift_meq_l_d=self.uptake_scale * self.drift,
            effluent_drift=self.effluent_drift,
        )

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


def collect(problem: Problem, trace: Trace, seed: np.random.SeedSequence) -> Posterior:
    """Draw the levels that go with every draw of the parameters, and check the sampling.

    Args:
        problem: the log and the tank.
        trace: draws of the parameters and classes.
        seed: for the levels, which are drawn exactly given each draw.
    """
    schedule = problem.schedule
    chains, per_chain, _ = trace.natural.shape
    natural = trace.natural.reshape(chains * per_chain, -1)
    misread = trace.misread.reshape(chains * per_chain, -1)
    states, expected = draw_day_states(problem, natural, misread, np.random.default_rng(seed))
    posterior = describe(problem, natural, states, chains)
    return replace(
        posterior,
        checks=check_readings(schedule, natural, expected, chains),
        diagnostics=diagnose(reported(posterior), chains, trace.divergences),
    )


def describe(problem: Problem, natural: np.ndarray, states: DayStates, chains: int) -> Posterior:
    """What draws of parameters `natural` (s, p) and the states with them mean for the tank.

    `chains`: of which the draws come. Reading checks and diagnostics are still empty.
    """
    schedule, tank, shape = problem.schedule, problem.tank, problem.schedule.shape
    volume = natural[:, VOLUME]
    share = light_share(natural[:, LIGHT_RATIO], shape.lit)
    uptake_start = natural[:, UPTAKE]
    scale = np.full_like(uptake_start, NET_CHANGE_SCALE) if shape.net_change else uptake_start
    calcified = uptake_start[:, None] + scale[:, None] * states.uptake
    nitrate = states.nitrate_rate
    uptake = calcified if nitrate is None else calcified + nitrate
    # How far a level under steady supply stands below its daily mean, in days of uptake.
    midnight = day_shape(tank, share, 0.0)
    end = day_shape(tank, share, float(schedule.step_time_d[-1]) % 1.0)
    calcium_uptake = natural[:, CALCIUM_SHARE, None] * calcified
    by_hand = [above / volume for above in schedule.settings.hand_dosing_above_mean]
    alkalinity_now = states.alkalinity[:, -1] + calcified[:, -1] * end - by_hand[0]
    calcium = calcium_now = None
    if states.calcium is not None:
        calcium = daily_mean(states.calcium, calcium_uptake, midnight, end)
        calcium_now = states.calcium[:, -1] + calcium_uptake[:, -1] * end - by_hand[1]
    increment = natural[:, INCREMENT] * strength_after(states.effluent)
    kits = natural[:, PHYSICAL + len(schedule.bottles) :]
    posterior = Posterior(
        chains=chains,
        volume_l=volume,
        light_share=share,
        calcium_share=natural[:, CALCIUM_SHARE],
        exponent=natural[:, EXPONENT],
        drift=natural[:, DRIFT],
        effluent_drift=natural[:, EFFLUENT_DRIFT],
        uptake_scale=scale,
        days=tuple(schedule.origin.date() + timedelta(days=j) for j in range(schedule.days)),
        uptake_meq_l_d=uptake,
        calcium_uptake_mmol_l_d=calcium_uptake,
        alkalinity_meq_l=daily_mean(states.alkalinity, calcified, midnight, end),
        calcium_mmol_l=calcium,
        alkalinity_now_meq_l=alkalinity_now,
        calcium_now_mmol_l=calcium_now,
        nitrate_loss_meq_l_d=None if nitrate is None else nitrate[:, -1],
        increment_meq_l=increment,
        effluent_meq_l=np.empty(0),
        middle_meq_l=shape.middle,
        reference_flow_l_d=schedule.reference_flow_l_d,
        present_flow_l_d=schedule.present_flow_l_d,
        dosed_meq_d=schedule.settings.dosed_now_meq_d,
        effluent_tested=any(r.sample == "effluent" for r in schedule.readings),
        kit_calibration={pair: natural[:, PHYSICAL + i] for i, pair in enumerate(schedule.bottles)},
        kit_repeatability={kit.name: kits[:, i] for i, kit in enumerate(schedule.kits)},
        checks=(),
        net_change=shape.net_change,
        diagnostics=NOT_CHECKED,
        ceiling_meq_l=chamber_table.ceiling_meq_l(schedule.settings.chamber_ph.last),
    )
    return replace(posterior, effluent_meq_l=_effluent(posterior))


def _effluent(posterior: Posterior) -> np.ndarray:
    """Effluent alkalinity (s,) at the present flow, or the reference flow where the pump stands."""
    level, reference = posterior.alkalinity_now_meq_l, posterior.reference_flow_l_d
    if reference is None:
        return posterior.middle_meq_l + posterior.increment_meq_l
    return level + posterior.state.law.increment_at(posterior.present_flow_l_d or reference, level)


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
