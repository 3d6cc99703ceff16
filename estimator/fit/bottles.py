"""The bottles of the kits, and the one whose calibration may have shifted unnoticed.

Only the bottle in use is asked: the last of the kit that read the tank's alkalinity last. Its
shift δ is a state of the model, and a reading y of it is

    y = calibration · level + error + m δ,

with m what was last read of the same water before it, by whichever kit, in place of calibration ·
level itself: the filter stays linear, and m hangs on no parameter. m differs from the level by what
happened since and by one error, a few per cent, and so m δ by a few parts in a thousand of the
level. It must not be y itself, which knows its own error: the filter would count that error as a
sign of a shift, always the same way. As m is of the past, the likelihood stays exact.

Beside what may happen at once (`jumps`) δ wanders from the bottle's first reading on: reagents
evaporate and take up CO2.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np

from estimator.fit.layout import (
    EFFLUENT_ALKALINITY,
    KNOWN_SOLUTION,
    NOTHING,
    TANK_ALKALINITY,
)
from estimator.inputs.parameters import ALKALINITY
from estimator.inputs.records import Reading, TankLog
from estimator.water.settings import actions_of

USUAL_CALIBRATION_SD = 0.05
"""Of a kit's calibration where none is stated: drop kits and photometers are quoted at 5 to 10 per
cent (common practice, no source); a calibrated dropper errs by up to 15 per cent (USP <1101>)."""
WANDER_SHARE, WANDER_DAYS = 0.5, 30.0
"""A bottle's calibration wanders by half of its sd in a month (common practice, no source)."""


def wander_of(steps: np.ndarray, calibration_sd: float | None) -> np.ndarray:
    """Variance by which δ wanders after each step (n,), from the bottle's first reading on.

    Args:
        steps: (n,) of `layout.STEP`, with what `shown_before` finds.
        calibration_sd: of the kit, relative; None where none is stated.
    """
    sd = USUAL_CALIBRATION_SD if calibration_sd is None else calibration_sd
    read = np.flatnonzero(steps["shown_meq_l"] > 0)
    since = np.arange(len(steps)) >= (read[0] if len(read) else len(steps))
    return np.where(since, (WANDER_SHARE * sd) ** 2 / WANDER_DAYS * steps["drift_d"], 0.0)


def bottles_of(
    log: TankLog, readings: Sequence[Reading]
) -> tuple[tuple[tuple[str, int], ...], list[int]]:
    """The (kit, bottle) pairs with readings, and each reading's place among them."""
    opened: dict[str, list[datetime]] = {}
    for action in actions_of(log, "new_bottle"):
        opened.setdefault(action.of, []).append(action.time)
    pair_of = [(r.kit, sum(time <= r.time for time in opened.get(r.kit, []))) for r in readings]
    pairs = tuple(sorted(set(pair_of)))
    return pairs, [pairs.index(pair) for pair in pair_of]


def bottle_in_use(readings: Sequence[Reading], bottles: Sequence[tuple[str, int]]) -> int:
    """Place among the bottles of the one in use; −1 where no kit read the tank's alkalinity.

    Args:
        readings: in time order.
        bottles: (kit, bottle) pairs, in order.
    """
    by = [r.kit for r in readings if (r.sample, r.parameter) == ("tank", ALKALINITY.name)]
    return max((place for place, (kit, _) in enumerate(bottles) if kit in by[-1:]), default=-1)


def shown_before(steps: np.ndarray, bottle: int, middle_meq_l: float) -> np.ndarray:
    """m of each reading of one bottle (n,), meq/L; 0 for every other step.

    Before the first reading of the tank m is the middle of the band, and the usual increment more
    for the effluent; of a reference solution it is what that holds, of new water the middle. A
    value of 0 is of a reading that is only imagined.

    Args:
        steps: (n,) of `layout.STEP`.
        bottle: its place among those of the schedule; −1 for none.
        middle_meq_l: of the alkalinity band.
    """
    shown = np.zeros(len(steps))
    last = {TANK_ALKALINITY: middle_meq_l}
    for i in np.flatnonzero(steps["kind"] != NOTHING):
        step = steps[i]
        kind = int(step["kind"])
        if kind == EFFLUENT_ALKALINITY:
            last.setdefault(kind, middle_meq_l + float(step["shown_increment_meq_l"]))
        if step["bottle"] == bottle:
            known = kind == KNOWN_SOLUTION
            shown[i] = step["known"] if known else last.get(kind, middle_meq_l)
        if kind in last and step["value"] > 0:
            last[kind] = float(step["value"])
    return shown
