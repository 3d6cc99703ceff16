"""The chamber table of `estimator.water.carbonate`, computed again with PyCO2SYS.

Lueker et al. 2000 K1 and K2, Dickson 1990 KS, Perez & Fraga 1987 KF, Lee et al. 2010 boron, Mucci
1983 solubility of aragonite; S = 35, 25 °C. The tank: 8 dKH, 420 mg/L of calcium, pH 8.2 NBS.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import cache

import numpy as np
import PyCO2SYS as pyco2
import pytest
from scipy import optimize

from estimator import units
from estimator.water import carbonate, chamber_table, media

DENSITY_KG_L = 1.023343  # TEOS-10 at S = 35, 25 °C
OPTIONS = {"opt_k_carbonic": 10, "opt_k_fluoride": 2, "opt_total_borate": 2}
NBS = 4
TANK_UMOL_KG = 8.0 * units.MEQ_L_PER_DKH * 1000 / DENSITY_KG_L
TANK = carbonate.TankWater(8.0 * units.MEQ_L_PER_DKH, 420 / units.CA_G_MOL, 8.2)
TABLE_PH = tuple(chamber_table.CHAMBER_PH.tolist())
BETWEEN = (6.25, 6.45, 6.5, 6.75)
CALCIUM_UMOL_KG = 420 / units.CA_G_MOL * 1000 / DENSITY_KG_L


def solve(alkalinity: np.ndarray, ph: np.ndarray, calcium: np.ndarray) -> dict:
    """Carbonate system at alkalinity µmol/kg, pH NBS, calcium µmol/kg."""
    return pyco2.sys(
        par1=alkalinity,
        par2=ph,
        par1_type=1,
        par2_type=3,
        salinity=35,
        temperature=25,
        total_calcium=calcium,
        opt_pH_scale=NBS,
        **OPTIONS,
    )


@cache
def roots() -> dict[tuple[float, float], float]:
    """dKH at which aragonite, dissolving at a pH, reaches a degree of saturation; keys are both.

    All in one call, since a call of PyCO2SYS takes as long for one row as for a hundred.
    """
    pairs = [(ph, saturation) for ph in (*TABLE_PH, *BETWEEN) for saturation in (0.5, 1.0)]
    # At pH 7 the tank's own water is above 0.3.
    pairs += [(ph, 0.3) for ph in BETWEEN]
    ph, saturation = np.array(pairs).T

    def miss(log_dissolved: np.ndarray) -> np.ndarray:
        dissolved = np.exp(log_dissolved)
        state = solve(TANK_UMOL_KG + 2 * dissolved, ph, CALCIUM_UMOL_KG + dissolved)
        return np.log(state["saturation_aragonite"] / saturation)

    dissolved = np.exp(optimize.newton(miss, np.full(len(ph), np.log(2000.0)), tol=1e-6))
    found = (TANK_UMOL_KG + 2 * dissolved) * DENSITY_KG_L / 1000 / units.MEQ_L_PER_DKH
    return dict(zip(pairs, found.tolist(), strict=True))


def effluent_dkh(ph: Iterable[float], saturation: float) -> np.ndarray:
    """`roots` at one degree of saturation."""
    return np.array([roots()[one, saturation] for one in ph])


def test_tank_of_the_table() -> None:
    """The starting point: 2.7881 and 10.2405 mmol/kg; Ω near 4.2, as the options give it."""
    assert pytest.approx(2788.1, abs=0.1) == TANK_UMOL_KG
    assert pytest.approx(10240.5, abs=0.5) == CALCIUM_UMOL_KG
    state = solve(TANK_UMOL_KG, 8.2, CALCIUM_UMOL_KG)
    assert state["saturation_aragonite"] == pytest.approx(4.24, abs=0.01)


@pytest.mark.parametrize(
    ("saturation", "column"),
    [(0.5, chamber_table.HALF_SATURATED_DKH), (1.0, chamber_table.SATURATED_DKH)],
)
def test_table_is_that_of_pyco2sys(saturation: float, column: np.ndarray) -> None:
    """Every entry within 1 % of a root found with PyCO2SYS."""
    found = effluent_dkh(TABLE_PH, saturation)
    np.testing.assert_allclose(column, found, rtol=0.01)


def test_calcite_column_is_that_of_pyco2sys() -> None:
    """Saturation with calcite over that with aragonite, as increments: within 0.1 % of PyCO2SYS.

    Mucci 1983: solubility products 4.2724e-7 and 6.4818e-7 mol²/kg² at S = 35, 25 °C.
    """
    state = solve(TANK_UMOL_KG, 8.2, CALCIUM_UMOL_KG)
    ratio = state["k_calcite"] / state["k_aragonite"]
    assert ratio == pytest.approx(4.2724 / 6.4818, rel=1e-4)
    tank_meq_l = TANK.alkalinity_meq_l
    of_aragonite, of_calcite = (
        carbonate.effluent(TANK, chamber_table.CHAMBER_PH, saturation).alkalinity_meq_l - tank_meq_l
        for saturation in (1.0, ratio)
    )
    np.testing.assert_allclose(media.CALCITE_CEILING, of_calcite / of_aragonite, rtol=1e-3)
    dissolved = of_calcite / 2 / DENSITY_KG_L * 1000
    state = solve(
        TANK_UMOL_KG + 2 * dissolved, chamber_table.CHAMBER_PH, CALCIUM_UMOL_KG + dissolved
    )
    np.testing.assert_allclose(state["saturation_calcite"], 1.0, rtol=1e-4)


@pytest.mark.parametrize("saturation", [1.0, 0.5, 0.3])
def test_closed_form_is_pyco2sys(saturation: float) -> None:
    """The quadratic of `carbonate.effluent` meets roots found with PyCO2SYS within 0.01 %."""
    ph = np.array([6.25, 6.5, 6.75])
    found = carbonate.effluent(TANK, ph, saturation).alkalinity_meq_l / units.MEQ_L_PER_DKH
    np.testing.assert_allclose(found, effluent_dkh(ph, saturation), rtol=1e-4)


@pytest.mark.parametrize(("salinity", "temperature"), [(30, 22), (35, 25), (38, 28)])
def test_species_are_pyco2sys(salinity: float, temperature: float) -> None:
    """Carbon species, pCO2 and Ω at other salinities and temperatures, from chamber to tank pH."""
    ph = np.array([6.3, 7.0, 8.2])
    state = pyco2.sys(
        par1=5000.0,
        par2=ph,
        par1_type=1,
        par2_type=3,
        salinity=salinity,
        temperature=temperature,
        total_calcium=12000.0,
        opt_pH_scale=NBS,
        **OPTIONS,
    )
    density = carbonate.density_kg_l(salinity, temperature)
    water = carbonate.TankWater(5.0 * density, 12.0 * density, ph, salinity, temperature)
    carbon = carbonate.species(water.alkalinity_meq_l, ph, water.constants)
    np.testing.assert_allclose(carbon.dic_mmol_l / density * 1000, state["dic"], rtol=1e-6)
    free = carbon.free_co2_mmol_l / density * 1000
    np.testing.assert_allclose(free, state["aqueous_CO2"], rtol=1e-6)
    pressure = free / water.constants.solubility / state["fugacity_factor"]
    np.testing.assert_allclose(pressure, state["pCO2"], rtol=1e-6)
    same = carbonate.effluent_of_alkalinity(water, ph, water.alkalinity_meq_l)
    np.testing.assert_allclose(same.saturation, state["saturation_aragonite"], rtol=1e-6)


@pytest.mark.parametrize(
    "increment",
    [chamber_table.half_saturated_increment_meq_l, chamber_table.saturated_increment_meq_l],
)
def test_lower_ph_gives_stronger_effluent(increment: Callable[[float], float]) -> None:
    """Between and beyond the table's ends the gain falls steadily with pH."""
    gains = [increment(ph) for ph in np.arange(5.9, 7.5, 0.05)]
    assert np.all(np.diff(gains) < 0)
    assert min(gains) > 0


def test_interpolation_between_entries() -> None:
    """Half way between two entries the gain is within 1 % of PyCO2SYS."""
    found = chamber_table.half_saturated_increment_meq_l(6.45) / units.MEQ_L_PER_DKH
    assert found + 8.0 == pytest.approx(effluent_dkh([6.45], 0.5)[0], rel=0.01)
