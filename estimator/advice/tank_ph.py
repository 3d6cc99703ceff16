"""What the reactor's CO2 does to the tank's pH, by day and by night, and what would help.

The balance of CO2 with the room's air, and what readings of tank pH tell of it, is that of
`advice.air_exchange`; the load is held by the chamber as `advice.chamber` has it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from estimator import units
from estimator.advice.air_exchange import (
    OUTDOOR_CO2_PPM,
    ROOM_CO2_PPM,
    Air,
    excess_co2_per_eq,
    free_co2_mmol_l,
    learn_air,
    solubility_mmol_l_ppm,
    unflagged_ph_readings,
)
from estimator.advice.chamber import Chamber, Held, Range, held_at, range_of, second_effluent
from estimator.fit.fitting import Fit
from estimator.fit.posterior import Posterior
from estimator.inputs.tank import Tank
from estimator.remark import Remark
from estimator.water import carbonate

LOW_PH = 7.8
"""Below this at its daily low a reef tank's pH is called low (common practice, no source)."""
DEGASSED = 0.80
"""Share of free CO2 that an air-stripped effluent loses: 80 to 88 % in fresh water at five parts of
air (Hu et al. 2011, Procedia Engineering 15:4780)."""
PH_STEP = 0.2
"""Rise of chamber pH whose effect is shown."""
HELPS = 0.01
"""Rise of the daily low that is worth naming: a probe shows no less."""


@dataclass(frozen=True)
class Measure:
    """One thing that raises pH: what to do, the daily low then, and its median rise."""

    name: Remark
    low: Range
    rise: float


@dataclass(frozen=True)
class TankPh:
    """Tank pH (NBS) with the reactor holding the load, and without any; the probe's offset is out.

    Attributes:
        day, night: highest (lights off) and lowest (lights on) of the day, with the reactor.
        day_without, night_without: the same if the load were held without CO2.
        reactor_drop: what the reactor's CO2 takes off the daily mean.
        low_chance, low_chance_without: chance that the daily low is under `LOW_PH`.
        exchange_per_h: k; `exchange_learned` is False where it is mostly the prior's.
        swing: rise of pH over the lit hours.
        room_co2_ppm: `room_co2_stated` is False where it is the usual range.
        chamber_ph: of the chamber that holds the load.
        readings: number of tank pH readings used.
        measures: what would raise the daily low, the most helpful first.
        notes: what the figures rest on, and how to make them surer.
    """

    day: Range
    night: Range
    day_without: Range
    night_without: Range
    reactor_drop: Range
    low_chance: float
    low_chance_without: float
    exchange_per_h: Range
    exchange_learned: bool
    swing: Range
    room_co2_ppm: Range
    room_co2_stated: bool
    chamber_ph: float
    readings: int
    measures: tuple[Measure, ...]
    notes: tuple[Remark, ...]


@dataclass(frozen=True)
class _Balance:
    """The load held by a chamber, and the exchange with the air: draws (s,)."""

    posterior: Posterior
    chamber: Chamber
    held: Held
    air: Air

    def mean_ph(
        self, co2_mmol_d: np.ndarray | float, base_mmol_l: np.ndarray | None = None
    ) -> np.ndarray:
        """Daily mean pH where this much CO2 comes in; `base_mmol_l` is CO2* without it."""
        to_rate = 1 / self.posterior.volume_l / units.HOURS_PER_DAY
        base = self.air.base_mmol_l if base_mmol_l is None else base_mmol_l
        level = free_co2_mmol_l(base, co2_mmol_d * to_rate, self.air.exchange_per_h)
        constants = self.chamber.tank.constants
        return carbonate.ph_of_free_co2(self.posterior.middle_meq_l, level, constants)


def tank_ph(fitted: Fit, chamber: Chamber, seed: np.random.SeedSequence) -> TankPh:
    """Tank pH by day and by night, with and without the reactor, and what helps.

    Args:
        fitted: draws (s,); the log's tank pH readings that carry no flag are used.
        chamber: holds the load at its present pH.
        seed: for draws from the grid.
    """
    readings = unflagged_ph_readings(fitted.log)
    air = learn_air(fitted, chamber, readings, np.random.default_rng(seed))
    held = held_at(fitted.posterior, chamber, chamber.ph)
    balance = _Balance(fitted.posterior, chamber, held, air)
    half = 0.5 * air.swing
    with_reactor, without = balance.mean_ph(held.co2_mmol_d), balance.mean_ph(0.0)
    measures = (
        Measure(name, range_of(ph - half), float(np.median(ph - with_reactor)))
        for name, ph in _tried(balance)
    )
    helpful = (measure for measure in measures if measure.rise >= HELPS)
    return TankPh(
        day=range_of(with_reactor + half),
        night=range_of(with_reactor - half),
        day_without=range_of(without + half),
        night_without=range_of(without - half),
        reactor_drop=range_of(without - with_reactor),
        low_chance=float(np.mean(with_reactor - half < LOW_PH)),
        low_chance_without=float(np.mean(without - half < LOW_PH)),
        exchange_per_h=range_of(air.exchange_per_h),
        exchange_learned=air.learned,
        swing=range_of(air.swing),
        room_co2_ppm=range_of(air.room_co2_ppm),
        room_co2_stated=fitted.tank.room_co2_ppm is not None,
        chamber_ph=chamber.ph,
        readings=len(readings),
        measures=tuple(sorted(helpful, key=lambda measure: measure.rise, reverse=True)),
        notes=(
            *_notes(air, bool(readings), fitted.tank.room_co2_ppm),
            *_of_solutions(balance, fitted.tank),
        ),
    )


def _tried(balance: _Balance) -> Iterator[tuple[Remark, np.ndarray]]:
    """Each thing that may raise pH, and the daily mean (s,) with it."""
    posterior, chamber, held, air = balance.posterior, balance.chamber, balance.held, balance.air
    solubility = solubility_mmol_l_ppm(chamber)
    aired = air.base_mmol_l - solubility * np.maximum(air.room_co2_ppm - OUTDOOR_CO2_PPM, 0.0)
    # Net uptake of CO2 by algae may bring the water below the air, but not to nothing.
    aired = np.maximum(aired, 0.5 * solubility * OUTDOOR_CO2_PPM)
    fresh_air = Remark("tank_ph_fresh_air", {"outdoor_co2_ppm": OUTDOOR_CO2_PPM})
    yield fresh_air, balance.mean_ph(held.co2_mmol_d, aired)
    degassed = held.co2_mmol_d - DEGASSED * held.free_co2_mmol_d
    yield Remark("tank_ph_bubble_effluent"), balance.mean_ph(degassed)
    if chamber.chambers == 1:
        saved = held.co2_mmol_d * second_chamber_share(chamber, chamber.ph, held)
        yield Remark("tank_ph_second_chamber"), balance.mean_ph(saved)
    higher = chamber.ph + PH_STEP
    held_higher = held_at(posterior, chamber, higher)
    if np.all(held_higher.reached):
        name = Remark("tank_ph_higher_chamber_ph", {"chamber_ph": higher})
        yield name, balance.mean_ph(held_higher.co2_mmol_d)


def second_chamber_share(chamber: Chamber, ph: float, held: Held) -> np.ndarray:
    """CO2 used with a second chamber over CO2 used without, for one load (s,)."""
    leaves = chamber.tank.alkalinity_meq_l + held.increment_meq_l
    first = carbonate.effluent_of_alkalinity(chamber.tank, ph, leaves)
    return second_effluent(chamber.tank, first).co2_per_caco3 / first.co2_per_caco3


def _of_solutions(balance: _Balance, tank: Tank) -> Iterator[Remark]:
    """What each solution would do to the daily mean if it held the load instead of the reactor."""
    posterior = balance.posterior
    load_meq_d = posterior.state.load_meq_d
    without = balance.mean_ph(0.0)
    for name, solution in tank.solutions.items():
        excess = excess_co2_per_eq(solution)
        assumed = solution.dic_per_eq is None
        if solution.alkalinity_meq_per_ml <= 0 or (excess == 0 and not assumed):
            continue
        change = float(np.median(balance.mean_ph(excess * load_meq_d) - without))
        told = {"solution": name, "dic_per_eq": solution.usual_dic_per_eq, "change": change}
        yield Remark("tank_ph_solution_assumed" if assumed else "tank_ph_solution", told)


def _notes(air: Air, read: bool, room_co2_ppm: float | None) -> Iterator[Remark]:
    """What the figures rest on, and how to make them surer."""
    if not read:
        yield Remark("tank_ph_never_read")
    elif not air.learned:
        yield Remark("tank_ph_exchange_unknown")
    if room_co2_ppm is None:
        mean, sd = ROOM_CO2_PPM
        yield Remark("tank_ph_room_assumed", {"room_co2_ppm": mean, "give_or_take_ppm": 2 * sd})
