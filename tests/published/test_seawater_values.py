"""Seawater chemistry against values stated outside the project, and against trade practice.

Where a table says "PyCO2SYS 1.8.3.4 computed" it was worked beforehand by a root search with that
library, on tank water of S = 35, 25 °C, 8 dKH, 420 mg/L of calcium, pH 8.2 NBS: the program's own
closed form and constants have to give it again.
"""

from __future__ import annotations

import numpy as np
import PyCO2SYS as pyco2
import pytest

from estimator import units
from estimator.water import carbonate
from estimator.water.carbonate import TankWater

DKH = units.MEQ_L_PER_DKH
CA = units.CA_G_MOL
TANK = TankWater(8 * DKH, 420 / CA, 8.2)
K = TANK.constants
TO_TOTAL = 0.1365  # pH NBS less pH total at S = 35, 25 °C, PyCO2SYS


def test_guide_constants() -> None:
    """Check values of Dickson, Sabine & Christian 2007, Guide, chapter 5, as others quote them.

    S = 35, 25 °C, total scale: ln K0 −3.5617 (Weiss 1974), log10 K1 −5.8472 and log10 K2 −8.9660
    (Lueker et al. 2000), ln KB −19.7964 (Dickson 1990), ln KW −30.434. The Guide takes 0.015 off
    ln KW to come from the seawater scale, PyCO2SYS converts it exactly: 0.01 is allowed.
    """
    state = pyco2.sys(
        2300,
        8.0,
        1,
        3,
        salinity=35,
        temperature=25,
        opt_pH_scale=1,
        opt_k_carbonic=10,
        opt_k_fluoride=2,
        opt_total_borate=2,
    )
    to_total = 10**-TO_TOTAL
    for ours, theirs in (
        (K.carbonic_1, "k_carbonic_1"),
        (K.carbonic_2, "k_carbonic_2"),
        (K.borate, "k_borate"),
        (K.water, "k_water"),
    ):
        assert ours / to_total == pytest.approx(float(state[theirs]), rel=2e-4)
    assert np.log(K.solubility) == pytest.approx(-3.5617, abs=1e-4)
    assert np.log10(state["k_carbonic_1"]) == pytest.approx(-5.8472, abs=1e-4)
    assert np.log10(state["k_carbonic_2"]) == pytest.approx(-8.9660, abs=1e-4)
    assert np.log(state["k_borate"]) == pytest.approx(-19.7964, abs=1e-4)
    assert np.log(state["k_water"]) == pytest.approx(-30.434, abs=0.01)


def test_guide_constants_of_sulfate_and_fluoride() -> None:
    """The same source: ln KS −2.30 and ln KF −6.09, on the free scale."""
    assert np.log(K.bisulfate) == pytest.approx(-2.30, abs=0.005)
    assert np.log(K.fluoride) == pytest.approx(-6.09, abs=0.005)


def test_solubility_of_aragonite() -> None:
    """Mucci 1983 as coded in carbonate packages: log10 Ksp −6.18831 at S = 35, 25 °C."""
    assert np.log10(K.aragonite) == pytest.approx(-6.18831, abs=1e-5)


def test_boron_of_seawater() -> None:
    """Lee et al. 2010: 0.1336 mg/kg per unit of salinity is 432.6 µmol/kg at S = 35."""
    assert K.total_borate * 1e6 == pytest.approx(432.6, abs=0.1)


@pytest.mark.parametrize(
    ("salinity", "temperature", "density"),
    [
        # UNESCO Technical Papers in Marine Science 44 (1983), one atmosphere, from memory.
        (0, 5, 999.96675),
        (0, 25, 997.04796),
        (35, 5, 1027.67547),
        (35, 25, 1023.34306),
    ],
)
def test_density(salinity: float, temperature: float, density: float) -> None:
    """The check values of the equation of state."""
    assert carbonate.density_kg_l(salinity, temperature) * 1000 == pytest.approx(density, abs=1e-4)


# PyCO2SYS 1.8.3.4 computed: dKH, calcium mg/L, mol CO2 per mol CaCO3 at Ω = 1, 0.5, 0.3, 0.1. None:
# acidified tank water is above that saturation already.
TABLE = {
    6.3: ((60.9, 798, 2.14), (38.2, 636, 2.28), (26.4, 552, 2.49), (11.0, 441, 5.2)),
    6.4: ((52.4, 737, 1.94), (32.5, 595, 2.09), (22.2, 522, 2.33), (9.0, 427, 9.6)),
    6.5: ((44.9, 684, 1.79), (27.5, 559, 1.95), (18.6, 496, 2.25), None),
    6.6: ((38.3, 637, 1.67), (23.1, 528, 1.86), (15.5, 473, 2.26), None),
    6.7: ((32.6, 596, 1.58), (19.4, 501, 1.82), (12.8, 455, 2.42), None),
    6.8: ((27.6, 560, 1.52), (16.2, 478, 1.83), (10.6, 439, 2.98), None),
    6.9: ((23.3, 529, 1.48), (13.4, 459, 1.94), (8.7, 425, 6.7), None),
    7.0: ((19.5, 503, 1.47), (11.1, 442, 2.27), None, None),
}


@pytest.mark.parametrize("ph", TABLE)
@pytest.mark.parametrize(("column", "saturation"), list(enumerate((1.0, 0.5, 0.3, 0.1))))
def test_effluent_of_a_chamber(ph: float, column: int, saturation: float) -> None:
    """PyCO2SYS 1.8.3.4 computed: alkalinity, calcium and CO2 used, to the digits stated."""
    stated = TABLE[ph][column]
    found = carbonate.effluent(TANK, ph, saturation)
    if stated is None:
        assert found.dissolved_mmol_l == 0
        assert found.saturation > saturation
        return
    assert found.alkalinity_meq_l / DKH == pytest.approx(stated[0], abs=0.06)
    assert found.calcium_mmol_l * CA == pytest.approx(stated[1], abs=0.6)
    assert found.co2_per_caco3 == pytest.approx(stated[2], rel=0.01)
    assert found.saturation == pytest.approx(saturation)


@pytest.mark.parametrize(
    ("first", "alkalinity_dkh", "ph", "free_mmol_kg", "ratio"),
    [
        ((6.5, 0.5), (27.5, 32.2), 6.71, (2.90, 2.10), (1.95, 1.57)),
        ((6.5, 0.3), (18.6, 24.0), 6.88, (1.96, 1.05), (2.25, 1.48)),
        ((6.3, 0.3), (26.4, 36.1), 6.64, (4.43, 2.77), (2.49, 1.63)),
    ],
)
def test_second_chamber(first, alkalinity_dkh, ph, free_mmol_kg, ratio) -> None:
    """PyCO2SYS 1.8.3.4 computed: a closed second chamber to saturation; before and after it."""
    before = carbonate.effluent(TANK, *first)
    after = carbonate.second_chamber(TANK, before)
    assert after.ph_nbs == pytest.approx(ph, abs=0.005)
    for i, water in enumerate((before, after)):
        assert water.alkalinity_meq_l / DKH == pytest.approx(alkalinity_dkh[i], abs=0.06)
        free = water.free_co2_mmol_l / K.density_kg_l
        assert free == pytest.approx(free_mmol_kg[i], abs=0.006)
        assert water.co2_per_caco3 == pytest.approx(ratio[i], abs=0.006)


@pytest.mark.parametrize(
    ("added_mmol_kg", "dkh", "total_ph", "pitzer_dkh"),
    [(3, 19.72, 6.859, 19.27), (6, 30.26, 6.609, 29.31), (12, 46.05, 6.347, 44.12)],
)
def test_known_co2_to_saturation(added_mmol_kg, dkh, total_ph, pitzer_dkh) -> None:
    """PyCO2SYS 1.8.3.4 computed, within 0.5 %; PHREEQC with pitzer.dat within 5 %."""
    found = carbonate.effluent_of_co2(TANK, added_mmol_kg * K.density_kg_l, 1.0)
    assert found.alkalinity_meq_l / DKH == pytest.approx(dkh, rel=0.005)
    assert found.alkalinity_meq_l / DKH == pytest.approx(pitzer_dkh, rel=0.05)
    assert found.ph_nbs - TO_TOTAL == pytest.approx(total_ph, abs=0.002)


@pytest.mark.parametrize(
    ("change", "dkh"),
    [
        ({"ph": 6.6}, -4.3),
        ({"ph": 6.4}, 5.0),
        ({"saturation": 0.55}, 2.0),
        ({"alkalinity_meq_l": 9 * DKH}, 0.26),
        ({"calcium_mmol_l": 440 / CA}, -0.7),
        ({"temperature_c": 26.0}, -0.7),
    ],
)
def test_sensitivities(change: dict, dkh: float) -> None:
    """PyCO2SYS 1.8.3.4 computed: what moves the effluent of pH 6.5 at half saturation."""
    settings = {"ph": 6.5, "saturation": 0.5}
    water = {"alkalinity_meq_l": 8 * DKH, "calcium_mmol_l": 420 / CA, "temperature_c": 25.0}

    def effluent(**change: float) -> float:
        ph, saturation = ({**settings, **change}[key] for key in settings)
        feed = TankWater(**{key: change.get(key, value) for key, value in water.items()})
        return float(carbonate.effluent(feed, ph, saturation).alkalinity_meq_l) / DKH

    assert effluent(**change) - effluent() == pytest.approx(dkh, abs=0.08)


def test_tank_ph_without_and_with_a_reactor() -> None:
    """PyCO2SYS 1.8.3.4 computed: pH NBS of 8 dKH in equilibrium with air, and under CO2.

    k (CO2* − K0 pCO2) = (F/V) c, the two-film balance, with two CO2 per CaCO3 and uptakes of 1 and
    2 dKH a day, at k = 0.5, 1, 2, 5 and 10 per hour and 420 µatm.
    """
    to_mmol_l = K.solubility * K.density_kg_l * 1e-3
    air = carbonate.ph_of_free_co2(8 * DKH, to_mmol_l * np.array([420, 600, 800, 1000]), K)
    np.testing.assert_allclose(air, [8.23, 8.11, 8.00, 7.91], atol=0.0065)
    exchange = np.array([0.5, 1, 2, 5, 10])
    for uptake_dkh, expected in (
        (1, [7.77, 7.94, 8.06, 8.15, 8.19]),
        (2, [7.56, 7.77, 7.94, 8.09, 8.15]),
    ):
        added = 2 * uptake_dkh * DKH / 2 / units.HOURS_PER_DAY
        found = carbonate.ph_of_free_co2(8 * DKH, to_mmol_l * 420 + added / exchange, K)
        np.testing.assert_allclose(found, expected, atol=0.0055)


def test_media_dissolves_near_6_5_and_not_at_tank_ph() -> None:
    """Common practice, no source: aragonite media dissolves usefully near pH 6.5, not in a tank.

    Computed: at pH 6.5 water dissolves media up to 45 dKH; at tank pH it is four times saturated,
    and nothing dissolves above about pH 7.5, where tank water alone is at saturation.
    """
    assert carbonate.effluent(TANK, 6.5, 1.0).alkalinity_meq_l > 5 * TANK.alkalinity_meq_l
    at_tank_ph = carbonate.effluent(TANK, 8.2, 1.0)
    assert at_tank_ph.dissolved_mmol_l == 0
    assert at_tank_ph.saturation == pytest.approx(4.24, abs=0.01)
    ph = np.arange(7.0, 8.2, 0.01)
    limit = ph[carbonate.effluent(TANK, ph, 1.0).dissolved_mmol_l == 0].min()
    assert 7.3 < limit < 7.6


def test_usual_effluent_strength() -> None:
    """Common practice, no source: effluents run from 15 to 45 dKH at chamber pH 6.3 to 6.7.

    Computed: at pH 6.5 that band spans saturations from about 0.2 to 1.0; at 6.3 its upper end is
    0.6, at 6.7 saturation already ends at 33 dKH, so that 45 dKH there is not to be had from
    aragonite.
    """
    band = np.array([15, 45]) * DKH
    omega = carbonate.effluent_of_alkalinity(TANK, 6.5, band).saturation
    np.testing.assert_allclose(omega, [0.22, 1.0], atol=0.03)
    assert carbonate.effluent_of_alkalinity(TANK, 6.3, band[1]).saturation == pytest.approx(
        0.64, abs=0.03
    )
    assert carbonate.effluent_of_alkalinity(TANK, 6.7, band[1]).saturation > 1.5


def test_effluent_leaves_above_chamber_ph() -> None:
    """Common practice, no source: effluent leaves a little above chamber pH, higher after a second.

    Computed: with nothing but the media between the probe and the outlet it leaves at chamber pH,
    so that the "little" (0.1 to 0.3) has to be further dissolution or lost gas; going on from half
    saturation to saturation gives 0.21, from 0.3 it gives 0.38. Losing a third of the free CO2
    gives 0.17.
    """
    half, weak = (carbonate.effluent(TANK, 6.5, omega) for omega in (0.5, 0.3))
    rise = [float(carbonate.second_chamber(TANK, one).ph_nbs) - 6.5 for one in (half, weak)]
    np.testing.assert_allclose(rise, [0.21, 0.38], atol=0.006)
    lost = carbonate.ph_of_free_co2(half.alkalinity_meq_l, half.free_co2_mmol_l * 2 / 3, K)
    assert float(lost) - 6.5 == pytest.approx(0.17, abs=0.01)
