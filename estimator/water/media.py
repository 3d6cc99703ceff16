"""What a reactor's media are made of: the share of magnesium in what dissolves, and calcite.

Magnesium media are sold by volume, but what counts is what dissolves. In chamber water (pH 6.3 to
6.6 NBS, aragonite half or wholly saturated, 1300 mg/L of magnesium) PHREEQC's pitzer database gives
a saturation index of +0.6 to +1.2 for dolomite and −0.12 to +0.18 for magnesite
(`tests/published/test_magnesium_media.py`): dolomite cannot dissolve there, magnesite hardly.
Brucite and other hydroxides or oxides do.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import numpy as np

from estimator.inputs.parameters import ALKALINITY, MAGNESIUM
from estimator.inputs.records import Reading, TankLog
from estimator.inputs.tank import Kit, Tank
from estimator.water import chamber_table
from estimator.water.settings import actions_of

HARDLY_SOLUBLE_KINDS = ("dolomite", "magnesite")
HARDLY_SOLUBLE = (0.01, 0.01)
"""Mean and sd of the share where the medium is dolomite or magnesite, whatever its volume: 0 to 3 %
of what dissolves, by its saturation and by what fines and impurities may give (common practice, no
source)."""
HYDROXIDE_SPREAD = 0.5
"""sd of the share over the stated percentage for hydroxides and oxides, which dissolve: by volume
is not by equivalents, nor at one pace (common practice, no source)."""
UNKNOWN_KIND = (0.25, 0.30)
"""Mean and sd of the share over the stated percentage where the kind is not stated: about one such
medium in five is taken to dissolve as a hydroxide does, the rest hardly; so wide that both are
within two sds of it (common practice, no source)."""
PAIRED_WITHIN = timedelta(days=7)
"""Readings that are set against each other are at most so far apart: magnesium moves slowly."""

CALCITE_CEILING = np.array([0.7224, 0.7090, 0.6930, 0.6735, 0.6493, 0.6183, 0.5771, 0.5192])
"""Increment of the effluent over tank water at saturation with calcite over that with aragonite, by
`chamber_table.CHAMBER_PH`. Calcite is the less soluble: its solubility product is 4.2724e-7 against
6.4818e-7 mol²/kg² (Mucci 1983; S = 35, 25 °C), so at Ω = 1 of calcite that of aragonite is 0.659.
`tests/published/test_chamber_table.py` computes it again with PyCO2SYS."""


def media_ceiling_factor(tank: Tank) -> float:
    """Factor on the increment of an effluent saturated with aragonite, for the tank's own medium.

    At the chamber pH that the tank file states, else at the usual one. Of calcite and aragonite
    nothing else differs here: both give half a mole of calcium per equivalent.
    """
    reactor = tank.reactor
    if reactor is None or reactor.media != "calcite":
        return 1.0
    ph = chamber_table.USUAL_CHAMBER_PH if reactor.chamber_ph is None else reactor.chamber_ph
    return float(np.interp(ph, chamber_table.CHAMBER_PH, CALCITE_CEILING))


def magnesium_share(tank: Tank) -> tuple[float, float]:
    """Prior mean and sd of the part of the dissolved equivalents that come as magnesium.

    It may be taken as normal and cut off at 0. (0, 0) where no magnesium medium is stated.
    """
    reactor = tank.reactor
    if reactor is None:
        return 0.0, 0.0
    stated, kind = reactor.magnesium_media_fraction, reactor.magnesium_media
    if kind in HARDLY_SOLUBLE_KINDS:
        return HARDLY_SOLUBLE
    if kind == "hydroxide":
        return stated, HYDROXIDE_SPREAD * stated
    mean, sd = UNKNOWN_KIND
    return mean * stated, sd * stated


def largest_share(tank: Tank) -> float:
    """Largest share that is worth telling of: as stated, unless the medium hardly dissolves."""
    reactor = tank.reactor
    if reactor is None:
        return 0.0
    if reactor.magnesium_media in HARDLY_SOLUBLE_KINDS:
        return HARDLY_SOLUBLE[0] + 2 * HARDLY_SOLUBLE[1]
    return reactor.magnesium_media_fraction


def learned_magnesium_share(log: TankLog, tank: Tank) -> tuple[float, float]:
    """The prior share, and what magnesium of effluent and tank add to it: mean and sd.

    An effluent whose alkalinity is X meq/L above the tank's carries a X / 2 mmol/L more magnesium
    than the tank, a being the share. Effluent readings since the media were renewed are set against
    the nearest tank reading of the same kit, whose calibration all but cancels from the difference;
    X is the median of effluent alkalinity readings less the middle of the band, or that of a
    half-saturated chamber. All is normal, so prior and difference are weighed by their variances.
    """
    mean, sd = magnesium_share(tank)
    pairs = _magnesium_pairs(log)
    if sd == 0 or not pairs:
        return mean, sd
    half = 0.5 * _increment_meq_l(log, tank)
    effluents, tanks = ({id(one): one for one in side} for side in zip(*pairs, strict=True))
    difference = float(np.mean([effluent.value - at.value for effluent, at in pairs]))
    variance = sum(
        sum(reading_variance(tank.kits[r.kit]) for r in side.values()) / len(side) ** 2
        for side in (effluents, tanks)
    )
    precision = sd**-2 + half**2 / variance
    return (mean / sd**2 + half * difference / variance) / precision, precision**-0.5


def reading_variance(kit: Kit) -> float:
    """Rounding and repeatability of a magnesium reading, (mmol/L)², by the medians of `priors`."""
    repeat = kit.repeatability
    if repeat is None:
        repeat = max(0.7 * kit.step, 0.4 * MAGNESIUM.assumed_repeatability)
    return repeat**2 + kit.step**2 / 12


def _of(log: TankLog, sample: str, parameter: str) -> list[Reading]:
    """Unflagged readings since the media were last renewed."""
    renewed = [action.time for action in actions_of(log, "media_change")]
    since = renewed[-1] if renewed else log.start
    return [
        r
        for r in log.readings
        if (r.sample, r.parameter) == (sample, parameter) and not r.flags and r.time >= since
    ]


def _magnesium_pairs(log: TankLog) -> Sequence[tuple[Reading, Reading]]:
    """Effluent and tank readings of magnesium by one kit and near each other."""
    pairs = []
    at_tank = _of(log, "tank", MAGNESIUM.name)
    for effluent in _of(log, "effluent", MAGNESIUM.name):
        near = [
            (abs(r.time - effluent.time), r.row, r)
            for r in at_tank
            if r.kit == effluent.kit and abs(r.time - effluent.time) <= PAIRED_WITHIN
        ]
        if near:
            pairs.append((effluent, min(near)[2]))
    return pairs


def _increment_meq_l(log: TankLog, tank: Tank) -> float:
    """Effluent alkalinity less the tank's, roughly: a tenth of it matters little here."""
    read = [r.value for r in _of(log, "effluent", ALKALINITY.name)]
    ph = tank.reactor.chamber_ph if tank.reactor else None
    usual = chamber_table.half_saturated_increment_meq_l(ph or chamber_table.USUAL_CHAMBER_PH)
    if not read:
        return usual
    return max(float(np.median(read)) - tank.targets[ALKALINITY.name].middle, 0.1 * usual)
