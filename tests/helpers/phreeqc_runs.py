"""PHREEQC 3 (Parkhurst & Appelo 2013) as the tests use it: sessions, the tank, a chamber's water.

pitzer.dat treats strong solutions whose ion ratios leave those of seawater; phreeqc.dat is not made
for seawater.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import phreeqc

from estimator import units
from estimator.water.carbonate import TankWater

DKH = units.MEQ_L_PER_DKH
TANK = TankWater(8 * DKH, 420 / units.CA_G_MOL, 8.2)
K = TANK.constants
TO_TOTAL = 0.1365  # pH NBS less pH total at S = 35, 25 °C, PyCO2SYS
WATER_KG_PER_KG = 1 - 0.03516504  # reference seawater (Millero et al. 2008)

SHOWN = """
SELECTED_OUTPUT
 -reset false
 -pH
 -alkalinity
 -totals Ca C
 -molalities H+ HSO4-
 -si Aragonite Calcite Dolomite Magnesite Brucite
"""


def session(database: str) -> phreeqc.Phreeqc:
    """PHREEQC with one of its own databases, writing no files."""
    made = phreeqc.Phreeqc()
    for what in ("Output", "Error", "Log", "Dump", "SelectedOutput"):
        getattr(made, f"Set{what}FileOn")(False)
    assert made.LoadBuiltInDatabase(database) == 0
    return made


def run(made: phreeqc.Phreeqc, text: str) -> dict[str, list[float]]:
    """Columns of the selected output; the last row is the end of the reaction."""
    assert made.RunString(text + SHOWN + "END\n") == 0, made.GetErrorString()
    return made.GetSelectedOutput()


def total_ph(found: dict[str, list[float]]) -> float:
    """pH on the total scale, mol per kg of seawater, at the last row."""
    protons = found["m_H+(mol/kgw)"][-1] + found["m_HSO4-(mol/kgw)"][-1]
    return -np.log10(protons * WATER_KG_PER_KG)


def seawater(activity_ph: float) -> str:
    """The tank: S = 35 (Millero et al. 2008, mmol/kg), Mg 1300 and Ca 420 mg/L, 8 dKH."""
    mmol_kg = {
        "Na": 468.97,
        "Mg": 1300 / units.MG_G_MOL / K.density_kg_l,
        "Ca": 420 / units.CA_G_MOL / K.density_kg_l,
        "K": 10.207,
        "Cl": 545.87,
        "S(6)": 28.235,
        "B": 0.4326,
        "Alkalinity": 8 * DKH / K.density_kg_l,
    }
    lines = [
        f" {name} {value / WATER_KG_PER_KG}{' charge' * (name == 'Cl')}"
        for name, value in mmol_kg.items()
    ]
    head = f"SOLUTION 1\n units mmol/kgw\n temp 25\n pH {activity_ph}\n"
    return head + "\n".join(lines) + "\nPHASES\nFix_H+\n H+=H+\n log_k 0\n"


@cache
def pitzer_tank() -> tuple[phreeqc.Phreeqc, str]:
    """PHREEQC with pitzer.dat, and the tank at pH 8.2 NBS."""
    made = session("pitzer.dat")
    activity_ph = 8.2
    for _ in range(5):
        activity_ph += 8.2 - TO_TOTAL - total_ph(run(made, seawater(activity_ph)))
    return made, seawater(activity_ph)


def chamber(ph: float, saturation: float) -> tuple[dict[str, list[float]], float]:
    """The tank's water at a pH (NBS) held by CO2 over aragonite to this saturation.

    Hydrogen ions are matched on the total scale.

    Returns:
        (selected output, pH on PHREEQC's own scale of activities).
    """
    made, tank = pitzer_tank()
    activity_ph = ph
    for _ in range(5):
        found = run(
            made,
            f"{tank}EQUILIBRIUM_PHASES\n Aragonite {np.log10(saturation)} 10\n"
            f" Fix_H+ {-activity_ph} CO2 10\n",
        )
        activity_ph += ph - TO_TOTAL - total_ph(found)
    return found, activity_ph


def alkalinity_dkh(found: dict[str, list[float]]) -> float:
    """Alkalinity of the last row."""
    return found["Alk(eq/kgw)"][-1] * WATER_KG_PER_KG * 1000 * K.density_kg_l / DKH
