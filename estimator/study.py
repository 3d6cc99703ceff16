"""The result of an analysis: all that a report needs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from estimator.inputs.records import TankLog
from estimator.inputs.tank import Tank

if TYPE_CHECKING:
    from estimator.advice.alarms import Alarm
    from estimator.advice.effluent_check import OddEffluent
    from estimator.advice.flow import Recommendation
    from estimator.advice.outlook import Outlook
    from estimator.advice.ph_and_flow import ChamberTrade
    from estimator.advice.supplies import Supplies
    from estimator.advice.tank_ph import TankPh
    from estimator.advice.trust import LevelCheck, Trust
    from estimator.fit.doubts import Doubts
    from estimator.fit.posterior import Posterior
    from estimator.fit.priors import Prior
    from estimator.fit.watch import Watch
    from estimator.next_tests.planning import Planning
    from estimator.plan.result import Plan

DEFAULT_SEED = 1

Progress = Callable[[str, float], None]
"""Called with (name of the stage, part done from 0 to 1)."""


@dataclass(frozen=True)
class ReactorJob:
    """The keeper's job around the flow.

    Attributes:
        chamber: chamber pH against flow.
        tank_ph: what the reactor's CO2 does to the tank's pH.
        supplies: media, CO2, magnesium.
        outlook: where calcium and magnesium go while alkalinity is held.
        watch: what may have changed lately.
        odd_effluents: effluent readings that chemistry cannot give.
    """

    chamber: ChamberTrade
    tank_ph: TankPh
    supplies: Supplies
    outlook: Outlook
    watch: Watch
    odd_effluents: tuple[OddEffluent, ...]


@dataclass(frozen=True)
class Study:
    """Everything a report needs.

    Attributes:
        tank, log: the inputs.
        tank_sha256: of the tank file.
        priors: what the model takes for granted before any reading.
        posterior: the fit; without calcium where its figures are spoiled.
        alarms: what stands before any setting, worst first.
        doubts: what in the log cannot be right, and which figures that spoils.
        trust: how far the model can be trusted.
        level_check: whether a reference solution keeps watch over the level.
        recommendation: the advice.
        planning: what further tests are worth; None where the fit failed its checks or the figures
            of alkalinity are spoiled.
        job: all about running the reactor; None likewise.
        plan: all that is to be done until the next report.
        seed: as given.
        seconds: by stage; not part of any deterministic output.
    """

    tank: Tank
    log: TankLog
    tank_sha256: str
    priors: tuple[Prior, ...]
    posterior: Posterior
    alarms: tuple[Alarm, ...]
    doubts: Doubts
    trust: Trust
    level_check: LevelCheck
    recommendation: Recommendation
    planning: Planning | None
    job: ReactorJob | None
    plan: Plan
    seed: int
    seconds: dict[str, float]

    @property
    def withheld_figures(self) -> tuple[str, ...]:
        """Parameters whose figures are not told: those that are spoiled."""
        return tuple(sorted(self.doubts.spoiled))
