"""The mass balance against worked examples from outside the project."""

from __future__ import annotations

import numpy as np
import pytest

from estimator import units
from estimator.fit import schedule, start
from estimator.fit.layout import (
    CALCIUM_SHARE,
    LIGHT_RATIO,
    PHYSICAL,
    SATURATED_INCREMENT,
    UPTAKE,
    VOLUME,
)
from estimator.fit.mass_balance import fill
from estimator.fit.schedule import build_schedule
from estimator.inputs.parameters import ALKALINITY, CALCIUM, MAGNESIUM, PARAMETERS
from helpers.tanks import example_log, example_tank

DKH = units.MEQ_L_PER_DKH


def shown(
    made: schedule.Schedule,
    start: dict[int, float],
    *,
    volume_l: float,
    uptake: float = 0.0,
    gain_x: float = 1.0,
    calcium_share: float = 0.5,
) -> np.ndarray:
    """Readings (m,) of perfect kits: effluent saturated at any flow, uptake even over the day and
    whatever the level, states as started."""
    theta = np.zeros(made.parameters)
    theta[VOLUME], theta[LIGHT_RATIO], theta[UPTAKE] = volume_l, 1.0, uptake
    theta[CALCIUM_SHARE], theta[SATURATED_INCREMENT] = calcium_share, gain_x
    theta[PHYSICAL:] = 1.0
    ones = np.ones(len(made.steps))
    system = fill(theta, ones, made.steps, made.moments, made.shape, made.mean, made.covariance)
    state = np.zeros(made.layout.size)
    for place, value in start.items():
        state[place] = value
    out = np.full(len(ones), np.nan)
    for i in range(len(ones)):
        state[: made.shape.moving] = system.transition[i] @ state + system.offset[i]
        out[i] = system.loading[i] @ state + system.intercept[i]
    return out[made.reading_step]


def test_washout_to_a_steady_level() -> None:
    """Stirred tank, 250 L, 25 L/day of 28 dKH, uptake 2 dKH/day, from 7 dKH.

    The balance of a stirred tank (Levenspiel 1972, Chemical Reaction Engineering) gives
    A∞ = A_e − U V / F = 8 dKH and A(t) = A∞ + (A_0 − A∞) e^(−F t / V).
    """
    log = example_log(
        [(day, "alkalinity", "tank", "alk") for day in (1, 3, 7, 200)],
        [(0.0, "flow", "", 25_000 / 24)],
    )
    made = build_schedule(log, example_tank())
    excess = 28 * DKH - made.shape.middle
    found = shown(made, {0: 7 * DKH}, volume_l=250.0, uptake=2 * DKH, gain_x=excess) / DKH
    np.testing.assert_allclose(found, [7.0952, 7.2592, 7.5034, 8.0], atol=1e-4)


def test_chamber_and_tank_in_series() -> None:
    """A step of feed through a 2.25 L chamber and a 255 L tank at 1800 mL/h.

    Two unequal stirred tanks in series (after Levenspiel 1972, who gives equal ones):
    c = 1 − (τ1 e^(−t/τ1) − τ2 e^(−t/τ2)) / (τ1 − τ2) with τ = 0.052083 and 5.902778 days, so
    0.14832 after one day and 0.63491 after six. Both tanks run through the mass balance: the
    chamber's levels give what leaves it, and that is dosed to the tank.
    """
    chamber_l, tank_l, flow_l_d = 2.25, 255.0, 43.2
    pump = (0.0, "flow", "", 1800.0)
    edges = np.arange(1, 601) / 100
    log = example_log([(t, "alkalinity", "tank", "alk") for t in edges], [pump])
    # Steps are cut for the volume stated, here the chamber's.
    made = build_schedule(log, example_tank(water_volume_l=chamber_l))
    feed_of_one = 1.0 - made.shape.middle
    level = np.append(0.0, shown(made, {0: 0.0}, volume_l=chamber_l, gain_x=feed_of_one))
    np.testing.assert_allclose(level[1:], 1 - np.exp(-flow_l_d * edges / chamber_l), rtol=1e-9)
    left_meq = flow_l_d * 0.01 - chamber_l * np.diff(level)
    strength = example_tank().solutions["soda"].alkalinity_meq_per_ml
    doses = [
        (t - 0.005, "dose", "soda", meq / strength) for t, meq in zip(edges, left_meq, strict=True)
    ]
    readings = [(1.0, "alkalinity", "tank", "alk"), (6.0, "alkalinity", "tank", "alk")]
    second = build_schedule(
        example_log(readings, [pump, *doses]), example_tank(water_volume_l=tank_l)
    )
    # The flow itself carries nothing: all that the chamber gives is in the doses.
    found = shown(second, {0: 0.0}, volume_l=tank_l, gain_x=-second.shape.middle)
    np.testing.assert_allclose(found, [0.14832, 0.63491], atol=1e-4)


def test_nitrate_from_food_costs_alkalinity() -> None:
    """A rise of 10 mg/L of nitrate from food takes 0.452 dKH.

    Aerobic mineralisation and nitrification, one equivalent lost per mole of nitrogen that ends as
    nitrate (Middelburg, Soetaert & Hagens 2020, Rev. Geophys. 58, Table 2).
    """
    readings = [(day, "nitrate", "tank", "no3") for day in (0.0, 10.0)]
    readings += [(day, "alkalinity", "tank", "alk") for day in (0.0, 10.0)]
    made = build_schedule(example_log(readings), example_tank())
    place = made.layout
    start = {0: 8 * DKH, place.nitrate: 0.0, place.nitrate_rate: 1.0 / units.NO3_G_MOL}
    values = shown(made, start, volume_l=250.0)
    by = {name: [] for name in ("nitrate", "alkalinity")}
    for reading, value in zip(made.readings, values, strict=True):
        by[reading.parameter].append(value)
    assert np.diff(by["nitrate"])[0] * units.NO3_G_MOL == pytest.approx(10.0)
    assert np.diff(by["alkalinity"])[0] / DKH == pytest.approx(-0.452, abs=1e-3)


@pytest.mark.parametrize(
    ("share", "calcium_mg_l"),
    [
        (0.5, 7.147),  # pure CaCO3: two equivalents a mole (Middelburg et al. 2020, Table 2, R11)
        # Sr/Ca 8.838 mmol/mol (Hathorne et al. 2013, G-cubed 14:3730), Mg/Ca 4.2 (from memory):
        # of 1.013038 mol of carbonate one is calcium's.
        (0.5 / (1 + 0.008838 + 0.0042), 7.055),
    ],
)
def test_calcium_taken_up_per_degree(share, calcium_mg_l) -> None:
    """One dKH laid down as coral aragonite takes 7.1 mg/L of calcium with it."""
    readings = [(day, "calcium", "tank", "ca") for day in (0.0, 1.0)]
    made = build_schedule(example_log(readings), example_tank())
    start = {0: 8 * DKH, made.layout.z: 7.0}
    before, after = shown(made, start, volume_l=250.0, uptake=DKH, calcium_share=share)
    assert (before - after) * units.CA_G_MOL == pytest.approx(calcium_mg_l, abs=1e-3)


@pytest.mark.parametrize(
    ("parameter", "natural"),
    [
        (CALCIUM, 10.2821 * 1.023343),
        (MAGNESIUM, 52.8171 * 1.023343),
        (ALKALINITY, 2.300 * 1.023343),
    ],
)
def test_natural_seawater_is_plausible(parameter, natural) -> None:
    """Natural seawater, S = 35, 25 °C, lies in the middle half of every plausible range.

    Millero et al. 2008 (Deep-Sea Research I 55:50): Ca 10.2821, Mg 52.8171 mmol/kg; total
    alkalinity 2.300 mmol/kg (from memory); 1.023343 kg/L (TEOS-10).
    """
    low, high = PARAMETERS[parameter.name].plausible
    place = (natural - low) / (high - low)
    assert 0.2 < place < 0.75


def test_natural_calcium_in_mg_l() -> None:
    """The same water holds 421.7 mg/L of calcium, the centre taken for unstated new water."""
    natural = CALCIUM.from_canonical(10.2821 * 1.023343, "mg/L")
    assert natural == pytest.approx(421.7, abs=0.05)
    centre = start.UNSTATED_WATER_CALCIUM[0]
    assert CALCIUM.from_canonical(centre, "mg/L") == pytest.approx(natural, abs=0.05)
