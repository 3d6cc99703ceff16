"""Is an effluent reading one that chemistry can give?"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from estimator.advice.chamber import Chamber
from estimator.fit.bottles import USUAL_CALIBRATION_SD
from estimator.fit.fitting import Fit
from estimator.fit.schedule import EFFLUENT_SCATTER
from estimator.inputs.parameters import ALKALINITY
from estimator.inputs.records import Reading
from estimator.remark import Remark
from estimator.water.carbonate import TankWater, effluent, effluent_of_alkalinity
from estimator.water.settings import day_of

LOWEST_CHAMBER_PH = 6.3
"""Chambers are held at 6.3 to 6.9 (common practice, no source): where the pH is not known, what is
saturated here, 61 dKH, is the most to be believed."""
PROBE_SD = 0.1
"""Standard error of a chamber's pH probe, NBS (common practice, no source)."""
SURE = 0.95
"""Chance from which an effluent reading is called impossible."""


@dataclass(frozen=True)
class EffluentCheck:
    """How an effluent reading stands to what chemistry can give.

    Attributes:
        lowest_meq_l, ceiling_meq_l: the tank's own alkalinity, and saturation with aragonite at
            the indicated chamber pH.
        saturation: Ω that the reading means, as indicated.
        above_chance, below_chance: chance that the true value lies above the ceiling, or below
            the tank, with the errors of kit and pH probe.
        remark: which side it is off; None where the reading is possible.
    """

    lowest_meq_l: float
    ceiling_meq_l: float
    saturation: float
    above_chance: float
    below_chance: float
    remark: Remark | None


@dataclass(frozen=True)
class OddEffluent:
    """An effluent reading that chemistry cannot give, errors allowed for."""

    reading: Reading
    check: EffluentCheck


def check_effluent(
    tank: TankWater,
    chamber_ph: float,
    alkalinity_meq_l: float,
    error_sd_meq_l: float,
    ph_sd: float = PROBE_SD,
) -> EffluentCheck:
    """Hold an effluent reading against what aragonite can give at the indicated chamber pH.

    The ceiling holds for a second chamber without gas too: it can only make up for what the first
    left undissolved.

    Args:
        tank: numbers, not arrays.
        chamber_ph: NBS, as indicated.
        alkalinity_meq_l, error_sd_meq_l: the reading and its standard error, the kit's calibration
            included.
        ph_sd: standard error of the probe.
    """
    z = np.linspace(-3.5, 3.5, 71)
    ceilings = effluent(tank, chamber_ph + ph_sd * z, 1.0).alkalinity_meq_l
    chances = ndtr((alkalinity_meq_l - ceilings) / error_sd_meq_l)
    above = float(np.average(chances, weights=np.exp(-0.5 * z**2)))
    lowest = float(tank.alkalinity_meq_l)
    below = float(ndtr((lowest - alkalinity_meq_l) / error_sd_meq_l))
    ceiling = float(effluent(tank, chamber_ph, 1.0).alkalinity_meq_l)
    remark, told = None, {"alkalinity_meq_l": alkalinity_meq_l, "chamber_ph": chamber_ph}
    if above > SURE:
        remark = Remark("effluent_too_strong", {**told, "ceiling_meq_l": ceiling})
    elif below > SURE:
        remark = Remark("effluent_too_weak", {**told, "tank_meq_l": lowest})
    return EffluentCheck(
        lowest_meq_l=lowest,
        ceiling_meq_l=ceiling,
        saturation=float(effluent_of_alkalinity(tank, chamber_ph, alkalinity_meq_l).saturation),
        above_chance=above,
        below_chance=below,
        remark=remark,
    )


def odd_effluents(fitted: Fit, chamber: Chamber) -> tuple[OddEffluent, ...]:
    """Effluent alkalinity readings that no aragonite gives at the chamber pH of their time.

    Where the chamber's pH is not known, it is taken as the lowest usual one. The error is that of
    the kit in effluent (`schedule.EFFLUENT_SCATTER`) and of its calibration.
    """
    schedule, found = fitted.schedule, []
    for reading in fitted.log.readings:
        if (reading.parameter, reading.sample) != (ALKALINITY.name, "effluent"):
            continue
        kit = fitted.tank.kits[reading.kit]
        repeat = kit.repeatability or ALKALINITY.assumed_repeatability
        calibration = USUAL_CALIBRATION_SD if kit.calibration_sd is None else kit.calibration_sd
        known_ph = schedule.settings.chamber_ph.at(day_of(reading.time, schedule.origin))
        check = check_effluent(
            chamber.tank,
            known_ph if chamber.ph_known else LOWEST_CHAMBER_PH,
            reading.value,
            float(np.hypot(EFFLUENT_SCATTER * repeat, calibration * reading.value)),
        )
        if check.remark and not chamber.ph_known and check.above_chance > SURE:
            unknown = Remark("effluent_too_strong_at_any_ph", check.remark.values)
            check = replace(check, remark=unknown)
        if check.remark:
            found.append(OddEffluent(reading, check))
    return tuple(found)
