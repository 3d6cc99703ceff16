"""The kit that reads the tank's alkalinity, and what it will show of levels to come."""

from __future__ import annotations

from datetime import timedelta
from typing import NamedTuple

import numpy as np

from estimator.fit.posterior import Posterior
from estimator.inputs.parameters import ALKALINITY
from estimator.inputs.records import Reading
from estimator.inputs.tank import Tank


class KitInUse(NamedTuple):
    """One kit, draws (s,).

    Attributes:
        calibration: reading over level, of its last bottle.
        repeatability_meq_l: sd of an ordinary reading's error.
        step_meq_l: of its scale.
    """

    calibration: np.ndarray
    repeatability_meq_l: np.ndarray
    step_meq_l: float


def last_kit(posterior: Posterior) -> str | None:
    """The kit that read the tank's alkalinity last; None where none did."""
    readings = _tank_readings(posterior)
    return readings[-1].kit if readings else None


def name_in_use(posterior: Posterior, tank: Tank) -> str:
    """That of `last_kit`, else of the first alkalinity kit declared, else ""."""
    declared = (kit.name for kit in tank.kits.values() if kit.parameter == ALKALINITY.name)
    return last_kit(posterior) or next(declared, "")


def kit_in_use(posterior: Posterior, tank: Tank) -> KitInUse:
    """What the kit of `name_in_use` shows."""
    ones = np.ones_like(posterior.volume_l)
    name = name_in_use(posterior, tank)
    bottles = [bottle for kit, bottle in posterior.kit_calibration if kit == name]
    calibration = posterior.kit_calibration[name, max(bottles)] if bottles else ones
    kit = tank.kits.get(name)
    step = kit.step if kit is not None and kit.step > 0 else ALKALINITY.assumed_step
    stated = kit.repeatability if kit is not None else None
    usual = ALKALINITY.assumed_repeatability if stated is None else stated
    repeatability = posterior.kit_repeatability.get(name, usual * ones)
    return KitInUse(calibration, repeatability, float(step or 1e-6))


def usual_interval_d(posterior: Posterior) -> int | None:
    """Whole days from one test of the tank's alkalinity to the next, as a rule: the median, 1 at
    least; None where it was tested once or never."""
    days = sorted({reading.time.date() for reading in _tank_readings(posterior)})
    between = np.diff([day.toordinal() for day in days])
    return round(float(np.median(between))) if len(between) else None


def usual_time_d(posterior: Posterior) -> float:
    """Time of day at which the tank's alkalinity is tested as a rule, the median, as a part of a
    day; noon where it never was."""
    of_day = [
        timedelta(hours=reading.time.hour, minutes=reading.time.minute) / timedelta(days=1)
        for reading in _tank_readings(posterior)
    ]
    return float(np.median(of_day)) if of_day else 0.5


def _tank_readings(posterior: Posterior) -> list[Reading]:
    return [
        check.reading
        for check in posterior.checks
        if (check.reading.sample, check.reading.parameter) == ("tank", ALKALINITY.name)
    ]
