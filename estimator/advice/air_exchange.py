"""How fast the tank exchanges CO2 with the air, learned from readings of its pH.

At steady alkalinity all CO2 that the chamber uses has to leave through the water's surface:

    k (CO2* − K0 p) = (F/V) c + r

with k the exchange of the whole tank with air (per hour: gas transfer velocity over depth, the
two-film model), K0 the solubility (Weiss 1974), p the room's CO2 (ppm taken as µatm), c the CO2
used per litre of effluent and r net respiration. The daily mean of pH follows from CO2* and
alkalinity; about it pH rises in a straight line while the lights are on and falls while they are
off, since exchange is slow beside a day.

Without the reactor CO2* would be B = K0 p + r/k. Readings of tank pH give k and B by a grid over
both (tank pH and effluent CO2 at each reading's time); the swing and the probe's offset are
integrated out exactly. k itself is learned only where the reactor's CO2 changed or is large. No
published k for reef aquaria was found.

Dosed solutions count by the carbon that they bring beyond what calcification takes, half a mole an
equivalent: r holds (d − ½) times the alkalinity dosed, d being 1 in bicarbonate, ½ in carbonate and
0 in hydroxide, which takes CO2 up.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from scipy import linalg

from estimator import units
from estimator.advice.chamber import Chamber, co2_at
from estimator.fit.fitting import Fit
from estimator.inputs.dosing import CARBONATE_DIC_PER_EQ, Solution
from estimator.inputs.parameters import PH
from estimator.inputs.records import Reading, TankLog
from estimator.inputs.tank import Tank
from estimator.water import carbonate
from estimator.water.settings import actions_of, day_of

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
LEARNED = 0.7
"""k counts as learned where the log narrows its log sd below this part of the prior's."""

LEAST_CO2 = 0.1
"""Part of B that hydroxide leaves at least: what it takes beyond that draws on bicarbonate, and the
balance is none of one day."""

_K_STEPS, _B_STEPS, _WIDTH = 49, 41, 3.5
_ALKALINITY_STEP = 0.05


@dataclass(frozen=True)
class Air:
    """Draws (s,): exchange k per hour, CO2* without the reactor (mmol/L), swing, room CO2 ppm."""

    exchange_per_h: np.ndarray
    base_mmol_l: np.ndarray
    swing: np.ndarray
    room_co2_ppm: np.ndarray

    @property
    def learned(self) -> bool:
        """Whether readings have told the exchange."""
        return bool(np.std(np.log(self.exchange_per_h)) < LEARNED * EXCHANGE_PER_H[1])


@dataclass(frozen=True)
class _BasePrior:
    """Prior of B = K0 p + r/k given k: lognormal, with the moments of that sum."""

    solubility: float
    room_mean: float
    room_sd: float

    def moments(self, exchange_per_h: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean and sd of B, mmol/L."""
        breath_mean, breath_sd = (x / units.HOURS_PER_DAY for x in RESPIRATION_MMOL_L_D)
        mean = self.solubility * self.room_mean + breath_mean / exchange_per_h
        return mean, np.hypot(self.solubility * self.room_sd, breath_sd / exchange_per_h)

    def at(self, exchange_per_h: np.ndarray, place: np.ndarray) -> np.ndarray:
        """B at a place of log B in its sds."""
        mean, sd = self.moments(exchange_per_h)
        log_sd = np.sqrt(np.log1p((sd / mean) ** 2))
        return mean * np.exp(log_sd * place - 0.5 * log_sd**2)

    def draw_room(
        self, exchange_per_h: np.ndarray, base: np.ndarray, rng: np.random.Generator
    ) -> np.ndarray:
        """Room CO2 (ppm) given k and B, as if both were normal; not below outdoor air."""
        mean, sd = self.moments(exchange_per_h)
        pull = self.solubility * self.room_sd**2 / sd**2
        left = np.sqrt(np.clip(1 - pull * self.solubility, 0.0, 1.0)) * self.room_sd
        room = self.room_mean + pull * (base - mean) + left * rng.standard_normal(len(base))
        return np.maximum(room, min(OUTDOOR_CO2_PPM, self.room_mean))


def solubility_mmol_l_ppm(chamber: Chamber) -> float:
    """CO2 that water holds in balance with air, mmol/L for each ppm."""
    k = chamber.tank.constants
    return k.solubility * k.density_kg_l * 1e-3


def free_co2_mmol_l(
    base_mmol_l: np.ndarray, co2_mmol_l_h: np.ndarray | float, exchange_per_h: np.ndarray
) -> np.ndarray:
    """CO2* where this much comes in (is taken up, if negative): B + c/k, `LEAST_CO2` at least."""
    return np.maximum(base_mmol_l + co2_mmol_l_h / exchange_per_h, LEAST_CO2 * base_mmol_l)


def excess_co2_per_eq(solution: Solution) -> float:
    """CO2 that a dosed equivalent leaves in the water once it is calcified, mol; negative for
    hydroxide, which takes it up."""
    return solution.usual_dic_per_eq - CARBONATE_DIC_PER_EQ


def dosed_co2_mmol_d(log: TankLog, tank: Tank, origin: datetime) -> Callable[[float], float]:
    """CO2 that dosing leaves in the water (mmol/day) as a function of days after the origin.

    Lasting rates as they are; single doses over the day before, in about which pH forgets.
    """
    excess = {
        name: excess_co2_per_eq(solution) * solution.alkalinity_meq_per_ml
        for name, solution in tank.solutions.items()
    }
    rates, doses = (
        [
            (day_of(action.time, origin), action.of, action.value or 0.0)
            for action in actions_of(log, kind)
        ]
        for kind in ("dose_rate", "dose")
    )

    def at(time_d: float) -> float:
        lasting = {of: ml_d for since, of, ml_d in rates if since <= time_d}
        single = sum(excess[of] * ml for on, of, ml in doses if time_d - 1 < on <= time_d)
        return single + sum(excess[of] * ml_d for of, ml_d in lasting.items())

    return at


def unflagged_ph_readings(log: TankLog) -> tuple[Reading, ...]:
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


def learn_air(
    fitted: Fit, chamber: Chamber, readings: Sequence[Reading], rng: np.random.Generator
) -> Air:
    """Draws (s,) of exchange, base and swing given the readings; the prior's where there are none.

    The grid is over log k and, at each k, over log B in sds of its prior. Given both, swing and
    offset are normal with conditionals in closed form.
    """
    tank, count = fitted.tank, len(fitted.posterior.volume_l)
    room = ROOM_CO2_PPM
    if tank.room_co2_ppm is not None:
        room = tank.room_co2_ppm, STATED_ROOM_SD * tank.room_co2_ppm
    prior = _BasePrior(solubility_mmol_l_ppm(chamber), *room)
    z_k, z_b = (np.linspace(-_WIDTH, _WIDTH, n) for n in (_K_STEPS, _B_STEPS))
    grid_k, grid_b = (x.ravel() for x in np.meshgrid(z_k, z_b, indexing="ij"))
    exchange = EXCHANGE_PER_H[0] * np.exp(EXCHANGE_PER_H[1] * grid_k)
    log_weight = -0.5 * (grid_k**2 + grid_b**2)
    swing_offset_mean, swing_offset_sd = np.array([SWING[0], 0.0]), np.array([SWING[1], OFFSET_SD])
    design, off_mean = np.zeros((0, 2)), np.zeros((len(grid_k), 0))
    if readings:
        hours = np.array([r.time.hour + r.time.minute / 60 for r in readings])
        design = np.column_stack([0.5 * light_swing(hours, tank), np.ones(len(readings))])
        means = _mean_ph(fitted, chamber, readings, prior.at(exchange, grid_b), exchange)
        off_mean = np.array([r.value for r in readings]) - means - design @ swing_offset_mean
        spread_root = np.linalg.cholesky(
            READING_SD**2 * np.eye(len(design)) + (design * swing_offset_sd**2) @ design.T
        )
        whitened = linalg.solve_triangular(spread_root, off_mean.T, lower=True)
        log_weight = log_weight - 0.5 * np.sum(whitened**2, axis=0)
    weight = np.exp(log_weight - np.max(log_weight))
    cell = rng.choice(len(weight), size=count, p=weight / weight.sum())
    # Within a cell of the grid all is alike: spread the draws over it.
    jitter = rng.uniform(-0.5, 0.5, (2, count)) * [[z_k[1] - z_k[0]], [z_b[1] - z_b[0]]]
    drawn_k = EXCHANGE_PER_H[0] * np.exp(EXCHANGE_PER_H[1] * (grid_k[cell] + jitter[0]))
    base = prior.at(drawn_k, grid_b[cell] + jitter[1])
    covariance = np.linalg.inv(np.diag(swing_offset_sd**-2) + design.T @ design / READING_SD**2)
    centre = swing_offset_mean + off_mean[cell] @ design @ covariance / READING_SD**2
    drawn = centre + rng.standard_normal((count, 2)) @ np.linalg.cholesky(covariance).T
    return Air(
        exchange_per_h=drawn_k,
        base_mmol_l=base,
        swing=np.maximum(drawn[:, 0], 0.02),
        room_co2_ppm=prior.draw_room(drawn_k, base, rng),
    )


def _mean_ph(
    fitted: Fit,
    chamber: Chamber,
    readings: Sequence[Reading],
    base_mmol_l: np.ndarray,
    exchange_per_h: np.ndarray,
) -> np.ndarray:
    """Daily mean pH (g, n) at each place of the grid (g,) and each reading's settings (n,).

    Readings with the same settings are worked once; alkalinity to 0.05 meq/L is 0.01 of pH.
    """
    alkalinity, rate = _settings_at(fitted, chamber, readings)
    rounded = np.round(alkalinity / _ALKALINITY_STEP) * _ALKALINITY_STEP
    pairs, which = np.unique(np.column_stack([rounded, rate]), axis=0, return_inverse=True)
    level = free_co2_mmol_l(base_mmol_l[:, None], pairs[:, 1], exchange_per_h[:, None])
    return carbonate.ph_of_free_co2(pairs[:, 0], level, chamber.tank.constants)[:, which.ravel()]


def _settings_at(
    fitted: Fit, chamber: Chamber, readings: Sequence[Reading]
) -> tuple[np.ndarray, np.ndarray]:
    """Alkalinity (n,) and CO2 added (mmol/L/h, n) at each reading's time; medians."""
    posterior, schedule = fitted.posterior, fitted.schedule
    by_day = dict(zip(posterior.days, np.median(posterior.alkalinity_meq_l, axis=0), strict=True))
    alkalinity = [by_day.get(r.time.date(), posterior.middle_meq_l) for r in readings]
    times = [day_of(r.time, schedule.origin) for r in readings]
    settings = schedule.settings
    pairs = [(settings.chamber_ph.at(t), settings.flow_l_d.at(t)) for t in times]
    used = {pair: co2_at(posterior, chamber, *pair) for pair in set(pairs)}
    dosed = dosed_co2_mmol_d(fitted.log, fitted.tank, schedule.origin)
    rate = np.array([used[pair] + dosed(t) for pair, t in zip(pairs, times, strict=True)])
    return np.array(alkalinity), rate / float(np.median(posterior.volume_l)) / units.HOURS_PER_DAY
