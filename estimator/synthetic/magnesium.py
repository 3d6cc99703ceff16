"""Magnesium of a tank of known truth: what the reactor brings, corals take and new water renews.

Integrated in short steps from the simulator's own effluent and uptake, so that it shares nothing
with the closed form of `advice.magnesium`:

    dM/dt = (a/2) (F/V) (A_e − A) + doses/V − m ρ U,   and at a water change   M ← M + (l/V)(W − M)

with A_e − A the effluent's increment, a the share of magnesium in what dissolves, ρ U the calcium
taken up and m the magnesium taken up per mol of it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

import numpy as np

from estimator import units
from estimator.inputs.parameters import MAGNESIUM
from estimator.inputs.records import Action, TankLog
from estimator.inputs.tank import Tank
from estimator.synthetic.simulation import Truth, read_with_kit, simulate_levels
from estimator.water.settings import day_of, origin_of

STEP = timedelta(hours=1)


@dataclass(frozen=True)
class MagnesiumTruth:
    """True magnesium behind a log.

    Attributes:
        start_mmol_l: in the tank at midnight before the first entry.
        share: part of the dissolved equivalents that come as magnesium.
        uptake_ratio: mol of magnesium taken up per mol of calcium.
        waters: mmol/L of each new salt water.
    """

    start_mmol_l: float
    share: float
    uptake_ratio: float
    waters: Mapping[str, float] = field(default_factory=dict)


class _Settings:
    """What the pump and the dosing are set to, and what one entry of the log does at once."""

    def __init__(self, tank: Tank, volume_l: float, waters: Mapping[str, float]) -> None:
        self._solutions, self._volume, self._waters = tank.solutions, volume_l, waters
        self._rates: dict[str, float] = {}
        self.turnover_d = 0.0

    @property
    def dosed_mmol_l_d(self) -> float:
        """By lasting rates."""
        return sum(self._dose(name, ml) for name, ml in self._rates.items())

    def _dose(self, name: str, ml: float) -> float:
        return self._solutions[name].magnesium_mmol_per_ml * ml / self._volume

    def act(self, action: Action, level: float) -> float:
        """The level after an entry."""
        value = action.value or 0.0
        if action.kind == "flow":
            self.turnover_d = value * units.HOURS_PER_DAY / 1000 / self._volume
        elif action.kind == "dose_rate":
            self._rates[action.of] = value
        elif action.kind == "dose":
            return level + self._dose(action.of, value)
        elif action.kind == "water_change":
            return level + value / self._volume * (self._waters[action.of] - level)
        return level


def magnesium_levels(
    tank: Tank, log: TankLog, truth: Truth, magnesium: MagnesiumTruth, times: list[datetime]
) -> np.ndarray:
    """True levels of the tank (n,), mmol/L, at `times`, just before anything done then.

    Args:
        tank, log: settings and actions.
        truth: for effluent, uptake (that at the middle of the band) and volume.
        magnesium: what it leaves open.
        times: any order, none before the log's first local midnight.
    """
    origin, wanted = origin_of(log), set(times)
    pending = deque(sorted(log.actions, key=lambda action: action.time))
    last = max((*wanted, origin))
    hours = int((last - origin) / STEP) + 1
    edges = sorted(
        {origin + STEP * h for h in range(hours)}
        | {action.time for action in pending if action.time <= last}
        | wanted
    )
    seen = simulate_levels(tank, log, truth, edges)
    increments = seen.effluent_alkalinity_meq_l - seen.alkalinity_meq_l
    settings = _Settings(tank, truth.volume_l, magnesium.waters)
    level, before = magnesium.start_mmol_l, 0.0
    found: dict[datetime, float] = {}
    for edge, increment in zip(edges, increments, strict=True):
        now = day_of(edge, origin)
        uptake = truth.uptake_meq_l_d[min(int(before), len(truth.uptake_meq_l_d) - 1)]
        given = 0.5 * magnesium.share * settings.turnover_d * increment + settings.dosed_mmol_l_d
        taken = magnesium.uptake_ratio * truth.calcium_share * uptake
        level += (now - before) * float(given - taken)
        before = now
        found[edge] = level
        while pending and pending[0].time <= edge:
            level = settings.act(pending.popleft(), level)
    return np.array([found[time] for time in times])


def with_magnesium(
    tank: Tank, log: TankLog, truth: Truth, magnesium: MagnesiumTruth, rng: np.random.Generator
) -> TankLog:
    """The same log with every magnesium reading of the tank drawn from the truth by its kit."""
    place = (MAGNESIUM.name, "tank")
    read = [r for r in log.readings if (r.parameter, r.sample) == place]
    levels = magnesium_levels(tank, log, truth, magnesium, [r.time for r in read])
    opened = [action for action in log.actions if action.kind == "new_bottle"]
    shown = {}
    for reading, level in zip(read, levels, strict=True):
        bottle = sum(a.of == reading.kit and a.time <= reading.time for a in opened)
        shown[reading.row] = read_with_kit(reading, float(level), bottle, tank, truth, rng)
    readings = (replace(r, value=shown[r.row]) if r.row in shown else r for r in log.readings)
    return replace(log, readings=tuple(readings))
