"""Levels at the start of the log and of new salt water, before any reading."""

from __future__ import annotations

import numpy as np

from estimator import units
from estimator.fit.layout import Layout
from estimator.inputs.parameters import ALKALINITY, CALCIUM
from estimator.inputs.tank import Tank
from estimator.water.media import magnesium_share
from estimator.water.supply import media_calcium_share

# Mean and sd at the start of the log. Reef tanks are kept between natural seawater
# (6.6 dKH, 422 mg/L) and about 12 dKH and 480 mg/L (common practice, no source).
START_ALKALINITY = (8.0 * units.MEQ_L_PER_DKH, 2.0 * units.MEQ_L_PER_DKH)
START_CALCIUM = (425.0 / units.CA_G_MOL, 40.0 / units.CA_G_MOL)
START_NITRATE = (10.0 / units.NO3_G_MOL, 20.0 / units.NO3_G_MOL)
NITRATE_RATE_SD = 0.5 / units.NO3_G_MOL
START_UPTAKE_SD = 0.15
"""Part of the doubt about the uptake at the start that the filter integrates out, relative."""
START_EFFLUENT_SD = 0.05
"""The same of the effluent's strength. Both keep what the log says of a start from growing ever
narrower as the drift gets slower: a funnel that a sampler's steps do not fit into."""
# New salt water: sd about its stated values, and mean and sd where nothing is stated
# (Millero et al. 2008 composition for calcium; total alkalinity 2300 µmol/kg from memory).
WATER_ALKALINITY_SD = 0.3 * units.MEQ_L_PER_DKH
WATER_CALCIUM_SD = 12.0 / units.CA_G_MOL
UNSTATED_WATER_ALKALINITY = (7.5 * units.MEQ_L_PER_DKH, 1.5 * units.MEQ_L_PER_DKH)
UNSTATED_WATER_CALCIUM = (421.7 / units.CA_G_MOL, 35.0 / units.CA_G_MOL)


def start_of(
    layout: Layout, tank: Tank, magnesium: tuple[float, float]
) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance of the states at the origin.

    `magnesium`: mean and sd of its share in what dissolves, see `media.learned_magnesium_share`.
    """
    mean = np.zeros(layout.size)
    covariance = np.zeros((layout.size, layout.size))
    alpha = media_calcium_share(tank)

    def pair(a: int, c: int, alkalinity: tuple[float, float], calcium: tuple[float, float]) -> None:
        mean[a], covariance[a, a] = alkalinity[0], alkalinity[1] ** 2
        if c >= 0:
            mean[c], covariance[c, c] = calcium[0], calcium[1] ** 2

    pair(layout.alkalinity, -1, START_ALKALINITY, START_CALCIUM)
    if layout.z >= 0:
        mean[layout.z] = START_CALCIUM[0] - alpha * START_ALKALINITY[0]
        covariance[layout.z, layout.z] = START_CALCIUM[1] ** 2 + (alpha * START_ALKALINITY[1]) ** 2
        covariance[0, layout.z] = covariance[layout.z, 0] = -alpha * START_ALKALINITY[1] ** 2
    covariance[layout.uptake, layout.uptake] = START_UPTAKE_SD**2
    if layout.effluent >= 0:
        covariance[layout.effluent, layout.effluent] = START_EFFLUENT_SD**2
    if layout.unlogged >= 0:
        covariance[layout.unlogged, layout.unlogged] = 1.0
    if layout.magnesium >= 0:
        mean[layout.magnesium] = magnesium[0] - magnesium_share(tank)[0]
        covariance[layout.magnesium, layout.magnesium] = magnesium[1] ** 2
    if layout.nitrate >= 0:
        pair(layout.nitrate, layout.nitrate_rate, START_NITRATE, (0.0, NITRATE_RATE_SD))
    for j, name in enumerate(layout.waters):
        stated = tank.waters[name].levels
        alkalinity, calcium = UNSTATED_WATER_ALKALINITY, UNSTATED_WATER_CALCIUM
        if ALKALINITY.name in stated:
            alkalinity = (stated[ALKALINITY.name], WATER_ALKALINITY_SD)
        if CALCIUM.name in stated:
            calcium = (stated[CALCIUM.name], WATER_CALCIUM_SD)
        pair(layout.first_water + 2 * j, layout.first_water + 2 * j + 1, alkalinity, calcium)
    return mean, covariance
