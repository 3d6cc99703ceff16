"""Carbonate chemistry: its balances and its inverses."""

from __future__ import annotations

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from estimator import units
from estimator.water import carbonate
from estimator.water.carbonate import TankWater

DKH = units.MEQ_L_PER_DKH

waters = st.builds(
    TankWater,
    alkalinity_meq_l=st.floats(6 * DKH, 12 * DKH),
    calcium_mmol_l=st.floats(8.0, 13.0),
    ph_nbs=st.floats(7.7, 8.5),
    salinity_g_kg=st.sampled_from([30.0, 33.0, 35.0, 38.0]),
    temperature_c=st.sampled_from([22.0, 25.0, 28.0]),
)
phs = st.floats(6.2, 7.2)
saturations = st.floats(0.05, 1.0)
# The first call at each salinity and temperature looks the constants up.
unhurried = settings(deadline=None, max_examples=60, derandomize=True)


@unhurried
@given(waters, phs, saturations)
def test_alkalinity_calcium_and_carbon_balance(tank: TankWater, ph: float, omega: float) -> None:
    """Each mole of CaCO3 brings two equivalents, one calcium, one carbon; CO2 brings one carbon."""
    found = carbonate.effluent(tank, ph, omega)
    x = found.dissolved_mmol_l
    assert found.alkalinity_meq_l == pytest.approx(tank.alkalinity_meq_l + 2 * x)
    assert found.calcium_mmol_l == pytest.approx(tank.calcium_mmol_l + x)
    carbon = carbonate.species(found.alkalinity_meq_l, ph, tank.constants)
    assert carbon.dic_mmol_l == pytest.approx(tank.dic_mmol_l + x + found.co2_mmol_l)
    charge = carbon.bicarbonate_mmol_l + 2 * carbon.carbonate_mmol_l + carbon.other_meq_l
    assert charge == pytest.approx(found.alkalinity_meq_l)


@unhurried
@given(waters, phs, saturations)
def test_co2_pays_for_bicarbonate_and_for_free_gas(
    tank: TankWater, ph: float, omega: float
) -> None:
    """c = ½Δ[HCO3] + Δ[CO2] − ½Δ(non-carbonate alkalinity), from the balances above."""
    found = carbonate.effluent(tank, ph, omega)
    before = carbonate.species(tank.alkalinity_meq_l, tank.ph_nbs, tank.constants)
    after = carbonate.species(found.alkalinity_meq_l, ph, tank.constants)
    assert found.co2_mmol_l == pytest.approx(
        0.5 * (after.bicarbonate_mmol_l - before.bicarbonate_mmol_l)
        + (after.free_co2_mmol_l - before.free_co2_mmol_l)
        - 0.5 * (after.other_meq_l - before.other_meq_l)
    )


@unhurried
@given(waters, phs, saturations)
def test_saturation_is_found_back(tank: TankWater, ph: float, omega: float) -> None:
    """Effluent alkalinity from Ω and Ω from effluent alkalinity are inverse to each other."""
    forward = carbonate.effluent(tank, ph, omega)
    back = carbonate.effluent_of_alkalinity(tank, ph, forward.alkalinity_meq_l)
    assert back.saturation == pytest.approx(forward.saturation, rel=1e-9)
    assert back.co2_mmol_l == pytest.approx(forward.co2_mmol_l)
    if forward.dissolved_mmol_l > 0:
        assert back.saturation == pytest.approx(omega, rel=1e-9)
    else:
        # Acidified tank water is above the saturation asked for: nothing dissolves.
        assert forward.saturation >= omega * (1 - 1e-9)
        assert forward.co2_per_caco3 == np.inf


@unhurried
@given(waters, phs, saturations)
def test_the_same_co2_gives_the_same_effluent(tank: TankWater, ph: float, omega: float) -> None:
    """pH from CO2 is the inverse of CO2 from pH."""
    forward = carbonate.effluent(tank, ph, omega)
    if forward.dissolved_mmol_l > 0:
        back = carbonate.effluent_of_co2(tank, forward.co2_mmol_l, omega)
        assert back.ph_nbs == pytest.approx(ph, abs=1e-8)


@unhurried
@given(waters, phs, saturations, saturations)
def test_second_chamber_is_closed_and_never_weakens(
    tank: TankWater, ph: float, omega: float, second_omega: float
) -> None:
    """Without gas the CO2 given stays the same; alkalinity and pH rise, free CO2 falls."""
    first = carbonate.effluent(tank, ph, omega)
    second = carbonate.second_chamber(tank, first, second_omega)
    assert second.co2_mmol_l == pytest.approx(first.co2_mmol_l, rel=1e-6, abs=1e-6)
    assert second.alkalinity_meq_l >= first.alkalinity_meq_l - 1e-9
    assert second.ph_nbs >= ph - 1e-9
    assert second.free_co2_mmol_l <= first.free_co2_mmol_l + 1e-9
    assert second.saturation == pytest.approx(max(second_omega, float(first.saturation)), rel=1e-6)


@unhurried
@given(waters, st.floats(6.5, 8.6))
def test_ph_is_found_back_from_free_co2(tank: TankWater, ph: float) -> None:
    """pH from alkalinity and CO2 is the inverse of CO2 from alkalinity and pH."""
    free = carbonate.species(tank.alkalinity_meq_l, ph, tank.constants).free_co2_mmol_l
    found = carbonate.ph_of_free_co2(tank.alkalinity_meq_l, free, tank.constants)
    assert found == pytest.approx(ph, abs=1e-9)


def test_arrays_broadcast_and_cost_little() -> None:
    """400 draws of tank and saturation over 10 × 20 grids take well under a second."""
    rng = np.random.default_rng(0)
    tank = TankWater(
        alkalinity_meq_l=rng.uniform(2.5, 3.5, (400, 1, 1)),
        calcium_mmol_l=rng.uniform(9, 12, (400, 1, 1)),
    )
    carbonate.effluent(tank, 6.5, 0.5)  # constants are looked up once
    start = time.perf_counter()
    found = carbonate.effluent(
        tank, np.linspace(6.2, 7.2, 10)[:, None], np.linspace(0.1, 1, 20)[None, :]
    )
    assert time.perf_counter() - start < 1.0
    assert found.alkalinity_meq_l.shape == found.co2_mmol_l.shape == (400, 10, 20)
    one = carbonate.effluent(
        TankWater(tank.alkalinity_meq_l[7, 0, 0], tank.calcium_mmol_l[7, 0, 0]),
        np.linspace(6.2, 7.2, 10)[3],
        np.linspace(0.1, 1, 20)[15],
    )
    assert found.co2_mmol_l[7, 3, 15] == pytest.approx(float(one.co2_mmol_l))
