"""What the reactor's CO2 does to the tank's pH.

At steady alkalinity all CO2 that the chamber uses has to leave through the water's surface:

    k (CO2* − K0 p) = (F/V) c + r

with k the exchange of the whole tank with air (per hour: gas transfer velocity over depth, the
two-film model), K0 the solubility (Weiss 1974), p the room's CO2 (ppm taken as µatm), c the CO2
used per litre of effluent and r net respiration. The daily mean of pH follows from CO2* and
alkalinity; about it pH rises in a straight line while the lights are on and falls while they are
off, since exchange is slow beside a day.

Without the reactor CO2* would be B = K0 p + r/k. Readings of tank pH give k and B by a grid over
both (tank pH and effluent CO2 at each reading's time); the swing and the probe's offset are
integrated out exactly. k itself is learned only where the reactor's CO2 changed or is large. Dosed
bicarbonate, which brings CO2 too, is not counted. No published k for reef aquaria was found.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg

from estimator import units
from estimator.advice.chamber import (
    SECOND_CHAMBER_WAY,
    Chamber,
    Held,
    Range,
    co2_at,
    held_at,
    range_of,
)
from estimator.fit.posterior import Posterior
from estimator.inputs.parameters import PH
from estimator.inputs.records import Reading, TankLog
from estimator.inputs.tank import Tank
from estimator.water import carbonate
from estimator.water.settings import Settings, day_of, origin_of

LOW_PH = 7.8
"""Below this at its daily low a reef tank's pH is called low (common practice, no source)."""
EXCHANGE_PER_H = (2.0, 0.9)
"""Median and log sd of k: 95 % in 0.3 to 12 per hour. No published k for reef aquaria was found;
skimming with 300 L/h of air into 250 L can give at most 1.7 (1.41 air flow over volume, from K0),
the surface adds to it (common practice, no source)."""
RESPIRATION_MMOL_L_D = (0.15, 0.20)
"""Mean and sd of net respiration: what is fed is burnt, algae that are harvested take some back
(common practice, no source; 2 g of dry food a day in 250 L is about 0.3)."""
ROOM_CO2_PPM = (600.0, 150.0)
"""Mean and sd of a room's CO2 where the tank file states none: 95 % in 300 to 900 (common practice,
no source)."""
STATED_ROOM_SD = 0.10
"""Relative sd of a stated room CO2: meters and hours differ (common practice, no source)."""
OUTDOOR_CO2_PPM = 420.0
"""From memory: the yearly mean of clean outdoor air early in the 2020s."""
SWING = (0.22, 0.08)
"""Mean and sd of the rise of pH from lights on to lights off (common practice, no source)."""
OFFSET_SD = 0.08
READING_SD = 0.10
"""Standard error of the tank's pH probe as a whole, and of one reading, weather and feeding
included (common practice, no source)."""
MOST_READINGS = 150
"""Readings used, evenly spread over the log: more of them are not independent."""
DEGASSED = 0.80
"""Share of free CO2 that an air-stripped effluent loses: 80 to 88 % in fresh water at five parts of
air (Hu et al. 2011, Procedia Engineering 15:4780)."""
PH_STEP = 0.2
"""Rise of chamber pH whose effect is shown."""
HELPS = 0.01
"""Rise of the daily low that is worth naming: a probe shows no less."""
LEARNED = 0.7
"""k counts as learned where the log narrows its log sd below this part of the prior's."""

_K_STEPS, _B_STEPS, _WIDTH = 49, 41, 3.5
_ALKALINITY_STEP = 0.05


@dataclass(frozen=True)
class Measure:
    """One thing that raises pH: what to do, the daily low then, and its median rise."""

    name: str
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
        notes: plain sentences.
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
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Air:
    """Draws (s,): exchange k per hour, CO2* without the reactor (mmol/L), swing, room CO2 ppm."""

    exchange_per_h: np.ndarray
    base_mmol_l: np.ndarray
    swing: np.ndarray
    room_co2_ppm: np.ndarray


def tank_ph(
    posterior: Posterior,
    tank: Tank,
    log: TankLog,
    settings: Settings,
    chamber: Chamber,
    seed: np.random.SeedSequence,
    chamber_ph: float | None = None,
) -> TankPh:
    """Tank pH by day and by night, with and without the reactor, and what helps.

    Args:
        posterior: draws (s,).
        tank: for lights, room, salinity and temperature.
        log: its tank pH readings that carry no flag are used.
        settings: pump and chamber over time.
        chamber: as it stands.
        seed: for draws from the grid.
        chamber_ph: pH at which the load is held; default the present one.
    """
    rng = np.random.default_rng(seed)
    at_ph = chamber.ph if chamber_ph is None else chamber_ph
    held = held_at(posterior, chamber, at_ph)
    readings = used_readings(log)
    air = learn_air(posterior, tank, chamber, settings, log, readings, rng)
    k = chamber.tank.constants
    alkalinity = posterior.middle_meq_l
    to_rate = 1 / posterior.volume_l / units.HOURS_PER_DAY

    def mean_ph(co2_mmol_d: np.ndarray | float, base: np.ndarray = air.base_mmol_l) -> np.ndarray:
        level = base + co2_mmol_d * to_rate / air.exchange_per_h
        return carbonate.ph_of_free_co2(alkalinity, level, k)

    half = 0.5 * air.swing
    with_reactor, without = mean_ph(held.co2_mmol_d), mean_ph(0.0)
    low = with_reactor - half
    solubility = _solubility_mmol_l_ppm(chamber)
    aired = air.base_mmol_l - solubility * np.maximum(air.room_co2_ppm - OUTDOOR_CO2_PPM, 0.0)
    # Net uptake of CO2 by algae may bring the water below the air, but not to nothing.
    aired = np.maximum(aired, 0.5 * solubility * OUTDOOR_CO2_PPM)
    tried = [
        (
            f"fresh air to the skimmer, at the {OUTDOOR_CO2_PPM:.0f} ppm of outdoor air",
            mean_ph(held.co2_mmol_d, aired),
        ),
        (
            "bubbling the effluent with air before it meets the tank (its outlet will scale)",
            mean_ph(held.co2_mmol_d - DEGASSED * held.free_co2_mmol_d),
        ),
    ]
    if chamber.chambers == 1:
        name = "a second chamber without gas"
        tried.append((name, mean_ph(held.co2_mmol_d * second_chamber_share(chamber, at_ph, held))))
    higher = held_at(posterior, chamber, at_ph + PH_STEP)
    if np.all(higher.reached):
        name = f"a chamber pH of {at_ph + PH_STEP:.2f}, with the larger flow that it needs"
        tried.append((name, mean_ph(higher.co2_mmol_d)))
    measures = [
        Measure(name, range_of(ph - half), float(np.median(ph - with_reactor)))
        for name, ph in tried
    ]
    learned = bool(np.std(np.log(air.exchange_per_h)) < LEARNED * EXCHANGE_PER_H[1])
    return TankPh(
        day=range_of(with_reactor + half),
        night=range_of(low),
        day_without=range_of(without + half),
        night_without=range_of(without - half),
        reactor_drop=range_of(without - with_reactor),
        low_chance=float(np.mean(low < LOW_PH)),
        low_chance_without=float(np.mean(without - half < LOW_PH)),
        exchange_per_h=range_of(air.exchange_per_h),
        exchange_learned=learned,
        swing=range_of(air.swing),
        room_co2_ppm=range_of(air.room_co2_ppm),
        room_co2_stated=tank.room_co2_ppm is not None,
        chamber_ph=at_ph,
        readings=len(readings),
        measures=tuple(
            sorted((m for m in measures if m.rise >= HELPS), key=lambda m: m.rise, reverse=True)
        ),
        notes=_notes(tank, readings, learned),
    )


def used_readings(log: TankLog) -> tuple[Reading, ...]:
    """Tank pH readings without a flag, at most `MOST_READINGS`, evenly spread over the log."""
    found = [
        r for r in log.readings if (r.parameter, r.sample) == (PH.name, "tank") and not r.flags
    ]
    return tuple(found[:: -(-len(found) // MOST_READINGS) or 1])


def light_swing(hour: np.ndarray, tank: Tank) -> np.ndarray:
    """Place of pH in its daily swing: −1 at lights on, rising to 1 at lights off, falling again."""
    lit = (tank.lights_off_h - tank.lights_on_h) % units.HOURS_PER_DAY
    since = (np.asarray(hour, dtype=float) - tank.lights_on_h) % units.HOURS_PER_DAY
    dark = units.HOURS_PER_DAY - lit
    return np.where(since <= lit, -1 + 2 * since / lit, 1 - 2 * (since - lit) / dark)


def second_chamber_share(chamber: Chamber, ph: float, held: Held) -> np.ndarray:
    """CO2 used with a second chamber over CO2 used without, for one load (s,)."""
    feed = chamber.tank
    first = carbonate.effluent_of_alkalinity(
        feed, ph, feed.alkalinity_meq_l + held.effluent_gain_meq_l
    )
    way = SECOND_CHAMBER_WAY * np.clip(1 - first.saturation, 0.0, None)
    second = carbonate.second_chamber(feed, first, first.saturation + way)
    return second.co2_per_caco3 / first.co2_per_caco3


def _solubility_mmol_l_ppm(chamber: Chamber) -> float:
    k = chamber.tank.constants
    return k.solubility * k.density_kg_l * 1e-3


def _room_prior(tank: Tank) -> tuple[float, float]:
    """Mean and sd of the room's CO2, ppm."""
    if tank.room_co2_ppm is None:
        return ROOM_CO2_PPM
    return tank.room_co2_ppm, STATED_ROOM_SD * tank.room_co2_ppm


def learn_air(
    posterior: Posterior,
    tank: Tank,
    chamber: Chamber,
    settings: Settings,
    log: TankLog,
    readings: Sequence[Reading],
    rng: np.random.Generator,
) -> Air:
    """Draws (s,) of exchange, base and swing given the readings; the prior's where there are none.

    The grid is over log k and, at each k, over log B in sds of its prior, which has the moments of
    K0 p + r/k.
    """
    solubility = _solubility_mmol_l_ppm(chamber)
    room_mean, room_sd = _room_prior(tank)
    breath_mean, breath_sd = (x / units.HOURS_PER_DAY for x in RESPIRATION_MMOL_L_D)

    def base_moments(exchange: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        mean = solubility * room_mean + breath_mean / exchange
        return mean, np.hypot(solubility * room_sd, breath_sd / exchange)

    def base_at(exchange: np.ndarray, place: np.ndarray) -> np.ndarray:
        mean, sd = base_moments(exchange)
        log_sd = np.sqrt(np.log1p((sd / mean) ** 2))
        return mean * np.exp(log_sd * place - 0.5 * log_sd**2)

    z_k, z_b = (np.linspace(-_WIDTH, _WIDTH, n) for n in (_K_STEPS, _B_STEPS))
    grid_k, grid_b = (x.ravel() for x in np.meshgrid(z_k, z_b, indexing="ij"))
    exchange = EXCHANGE_PER_H[0] * np.exp(EXCHANGE_PER_H[1] * grid_k)
    log_weight = -0.5 * (grid_k**2 + grid_b**2)
    design, moved = np.zeros((0, 2)), np.zeros((len(grid_k), 0))
    if readings:
        alkalinity, rate = _settings_at(posterior, chamber, settings, log, readings)
        hours = np.array([_hour(r) for r in readings])
        design = np.column_stack([0.5 * light_swing(hours, tank), np.ones(len(readings))])
        moved = np.array([r.value for r in readings]) - _mean_ph(
            base_at(exchange, grid_b), exchange, alkalinity, rate, chamber
        )
    prior_mean, prior_sd = np.array([SWING[0], 0.0]), np.array([SWING[1], OFFSET_SD])
    covariance = READING_SD**2 * np.eye(len(design)) + (design * prior_sd**2) @ design.T
    about = moved - design @ prior_mean
    if readings:
        whitened = linalg.solve_triangular(np.linalg.cholesky(covariance), about.T, lower=True)
        log_weight = log_weight - 0.5 * np.sum(whitened**2, axis=0)
    weight = np.exp(log_weight - np.max(log_weight))
    count = len(posterior.volume_l)
    cell = rng.choice(len(weight), size=count, p=weight / weight.sum())
    # Within a cell of the grid all is alike: spread the draws over it.
    jitter = rng.uniform(-0.5, 0.5, (2, count)) * [[z_k[1] - z_k[0]], [z_b[1] - z_b[0]]]
    drawn_k = EXCHANGE_PER_H[0] * np.exp(EXCHANGE_PER_H[1] * (grid_k[cell] + jitter[0]))
    base = base_at(drawn_k, grid_b[cell] + jitter[1])
    spread = np.linalg.inv(np.diag(prior_sd**-2) + design.T @ design / READING_SD**2)
    centre = prior_mean + about[cell] @ design @ spread / READING_SD**2
    nuisance = centre + rng.standard_normal((count, 2)) @ np.linalg.cholesky(spread).T
    mean, sd = base_moments(drawn_k)
    pull = solubility * room_sd**2 / sd**2
    left = np.sqrt(np.clip(1 - pull * solubility, 0.0, 1.0)) * room_sd
    room = room_mean + pull * (base - mean) + left * rng.standard_normal(count)
    return Air(
        exchange_per_h=drawn_k,
        base_mmol_l=base,
        swing=np.maximum(nuisance[:, 0], 0.02),
        room_co2_ppm=np.maximum(room, min(OUTDOOR_CO2_PPM, room_mean)),
    )


def _hour(reading: Reading) -> float:
    return reading.time.hour + reading.time.minute / 60


def _settings_at(
    posterior: Posterior,
    chamber: Chamber,
    settings: Settings,
    log: TankLog,
    readings: Sequence[Reading],
) -> tuple[np.ndarray, np.ndarray]:
    """Alkalinity (n,) and CO2 added (mmol/L/h, n) at each reading's time; medians."""
    origin = origin_of(log)
    by_day = dict(zip(posterior.days, np.median(posterior.alkalinity_meq_l, axis=0), strict=True))
    alkalinity = [by_day.get(r.time.date(), posterior.middle_meq_l) for r in readings]
    times = [day_of(r.time, origin) for r in readings]
    pairs = [(settings.chamber_ph.at(t), settings.flow_l_d.at(t)) for t in times]
    used = {pair: co2_at(posterior, chamber, *pair) for pair in set(pairs)}
    rate = np.array([used[pair] for pair in pairs])
    rate = rate / float(np.median(posterior.volume_l)) / units.HOURS_PER_DAY
    return np.array(alkalinity), rate


def _mean_ph(
    base: np.ndarray,
    exchange: np.ndarray,
    alkalinity: np.ndarray,
    rate: np.ndarray,
    chamber: Chamber,
) -> np.ndarray:
    """Daily mean pH (g, n) at each place of the grid (g,) and each reading's settings (n,).

    Readings with the same settings are worked once; alkalinity to 0.05 meq/L is 0.01 of pH.
    """
    rounded = np.round(alkalinity / _ALKALINITY_STEP) * _ALKALINITY_STEP
    pairs, which = np.unique(np.column_stack([rounded, rate]), axis=0, return_inverse=True)
    level = base[:, None] + pairs[:, 1] / exchange[:, None]
    return carbonate.ph_of_free_co2(pairs[:, 0], level, chamber.tank.constants)[:, which.ravel()]


def _notes(tank: Tank, readings: Sequence[Reading], learned: bool) -> tuple[str, ...]:
    """What the figures rest on, and how to make them surer."""
    notes = []
    if not readings:
        notes.append(
            "No tank pH is in the log: these are figures for a usual tank and room. Log the tank's "
            "pH at lights on and at lights off for a week."
        )
    elif not learned:
        notes.append(
            "The tank's pH readings do not say how fast it gives CO2 to the air. Log pH at lights "
            "on and at lights off with the reactor running, and for some days at another flow or "
            "with the reactor's CO2 off."
        )
    if tank.room_co2_ppm is None:
        notes.append(
            f"The room's CO2 is taken as {ROOM_CO2_PPM[0]:.0f} ppm, give or take "
            f"{2 * ROOM_CO2_PPM[1]:.0f}. Measure it and state `room_co2_ppm` in the tank file."
        )
    return tuple(notes)
