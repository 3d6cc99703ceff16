"""What a change-over has to bring about, and the correction of the level that may come first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from estimator.advice.flow import to_l_d, to_ml_h
from estimator.fit.state import TankState
from estimator.inputs.tank import Reactor, Target
from estimator.water.supply import SupplyLaw

LARGEST_LEAD = 0.5
"""Share of the largest rise that dosing beyond the load may bring about."""
LONGEST_CORRECTION_DAYS = 28
EXTRA = 0.1
"""Step of the pump past the ladder, in supply at the final flow."""
LARGEST_EXTRA = 0.25
"""The same at most, in flow."""
FURTHEST = 1.5
"""The pump goes past the final flow by this factor at most; not at all past one on part of the
way."""


def settable_flow(pump: Reactor, flow_l_d: float) -> float:
    """The pump setting nearest to a flow, L/day."""
    step = pump.flow_step_ml_h
    low = np.ceil(pump.flow_min_ml_h / step - 1e-9)
    high = np.floor(pump.flow_max_ml_h / step + 1e-9)
    return float(to_l_d(np.clip(np.round(to_ml_h(np.array(flow_l_d)) / step), low, high) * step))


@dataclass(frozen=True)
class Task:
    """From the present settings to the final flow, and what may be used on the way.

    Attributes:
        middle: the tank with everything at its median, at the start of the plan.
        draws: the supply law of each future.
        present_l_d, final_l_d: flows.
        dose_ml_d, present_meq_d: rate of each solution dosed now, and the alkalinity in them.
        ml_per_meq: mL of each solution to go on with for a meq of alkalinity, empty without any.
        pump, band: of the tank file.
        rise_meq_l_d: largest rise of alkalinity in a day.
        calibration: reading over level of the kit, median.
        kit_step_meq_l: smallest step of the kit.
        provisional: the final flow is part of the way to one that cannot be said yet.
        held: the final flow is held back until a cause is found, see `plan.guard`.
        correction: (flow L/day, days) that bring the level back into the band before the first
            step; None where it is in the band.
    """

    middle: TankState
    draws: SupplyLaw
    present_l_d: float
    final_l_d: float
    dose_ml_d: Mapping[str, float]
    present_meq_d: float
    ml_per_meq: Mapping[str, float]
    pump: Reactor
    band: Target
    rise_meq_l_d: float
    calibration: float
    kit_step_meq_l: float
    provisional: bool
    held: bool = False
    correction: tuple[float, int] | None = None

    @property
    def start_meq_l(self) -> float:
        """Level at the start."""
        return float(self.middle.level_meq_l)

    @property
    def side(self) -> str:
        """Where a level out of the band is: "below" or "above"."""
        return "below" if self.start_meq_l < self.band.low else "above"

    @property
    def volume_l(self) -> float:
        """Water volume."""
        return float(self.middle.law.volume_l)

    def carried(self, flow_l_d: float) -> float:
        """What a flow supplies, as part of what the final one does."""
        law, middle = self.middle.law, self.band.middle
        whole = float(law.supply_meq_d(self.final_l_d, middle))
        return float(law.supply_meq_d(flow_l_d, middle)) / whole

    def carrying_l_d(self, part: float) -> float:
        """The flow that supplies this part of what the final one does."""
        whole = self.middle.law.supply_meq_d(self.final_l_d, self.band.middle)
        return float(self.middle.law.flow_for(part * whole))

    @property
    def load_meq_d(self) -> float:
        """What the tank takes up."""
        return float(self.middle.load_meq_d)

    @property
    def lead_meq_d(self) -> float:
        """Supply beyond the load that raises alkalinity as fast as it may."""
        return LARGEST_LEAD * self.rise_meq_l_d * self.volume_l

    @property
    def most_meq_d(self) -> float:
        """Largest dosing."""
        return self.load_meq_d + self.lead_meq_d if self.ml_per_meq else 0.0

    @property
    def correction_days(self) -> int:
        """Days before the level is right."""
        return 0 if self.correction is None else self.correction[1]

    @property
    def highest_l_d(self) -> float:
        """Flow that the pump is not to exceed."""
        furthest = 1.0 if self.provisional or self.held else FURTHEST
        return max(settable_flow(self.pump, furthest * self.final_l_d), self.final_l_d)

    @property
    def extra_l_d(self) -> float:
        """Step of the pump past the ladder."""
        unit = float(to_l_d(np.array(self.pump.flow_step_ml_h)))
        answer = float(self.middle.law.elasticity(self.final_l_d))
        part = min(EXTRA / answer, LARGEST_EXTRA)
        return float(max(np.round(part * self.final_l_d / unit), 1.0) * unit)

    def shown_ml_h(self, flow_l_d: float) -> float:
        """A flow as the pump shows it, freed of rounding errors."""
        step = self.pump.flow_step_ml_h
        return float(np.round(to_ml_h(np.array(flow_l_d)) / step) * step)

    def supply_meq_d(self, flow_l_d: float, level_meq_l: float | None = None) -> float:
        """What the reactor may be expected to add, at the band's middle or another level."""
        level = self.band.middle if level_meq_l is None else level_meq_l
        return float(np.mean(self.draws.supply_meq_d(flow_l_d, level)))


def corrected(task: Task) -> Task | None:
    """The task with the level put right first where it is out of the band; None: impossible.

    Dosing is the means where there is any (its strength is known), the pump where there is none or
    where the reactor alone gives too much.
    """
    low, high, start = task.band.low, task.band.high, task.start_meq_l
    if low <= start <= high:
        return task
    side = 1.0 if task.side == "below" else -1.0
    need = task.load_meq_d + side * task.lead_meq_d
    law, flow = task.middle.law, task.present_l_d
    given = task.supply_meq_d(flow, start)
    # Without dosing the pump is all there is; with it, it comes down where it alone gives too much.
    if given > max(need, 0.0) or (not task.ml_per_meq and (side > 0 or flow > 0)):
        flow = settable_flow(task.pump, float(law.flow_for(need, start)))
        flow = min(flow, task.final_l_d) if task.held else flow
    dose = float(np.clip(need - task.supply_meq_d(flow, start), 0.0, task.most_meq_d))
    net = dose / law.volume_l - task.middle.uptake_meq_l_d
    level = task.middle.level_meq_l
    for days in range(1, LONGEST_CORRECTION_DAYS + 1):
        level = law.advance(level, flow, net)
        if side * (float(level) - task.band.middle) >= -0.01 * (high - low):
            return replace(task, correction=(flow, days))
    return None
