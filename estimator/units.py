"""Pure unit conversions. Inside the program: meq/L, mmol/L, L, days, mL/h for the pump.

Atomic weights are the IUPAC abridged values (from memory): Ca 40.078, O 15.999, C 12.011,
Mg 24.305, N 14.007, H 1.008, Na 22.990, Cl 35.45, P 30.974. One German degree (dKH) is 10 mg/L of
CaO by the DIN definition (from memory), and CaO carries two equivalents per mole.
"""

from __future__ import annotations

CA_G_MOL = 40.078
MG_G_MOL = 24.305
C_G_MOL = 12.011
O_G_MOL = 15.999
N_G_MOL = 14.007
H_G_MOL = 1.008
NA_G_MOL = 22.990
CL_G_MOL = 35.45
P_G_MOL = 30.974

CAO_G_MOL = CA_G_MOL + O_G_MOL
CO2_G_MOL = C_G_MOL + 2 * O_G_MOL
CACO3_G_MOL = CA_G_MOL + C_G_MOL + 3 * O_G_MOL
NO3_G_MOL = N_G_MOL + 3 * O_G_MOL
PO4_G_MOL = P_G_MOL + 4 * O_G_MOL
WATER_G_MOL = 2 * H_G_MOL + O_G_MOL

MEQ_L_PER_DKH = 2 * 10 / CAO_G_MOL
"""0.356652 meq/L."""
MEQ_L_PER_MG_L_CACO3 = 2 / CACO3_G_MOL
"""1 meq/L is 50.043 mg/L as CaCO3."""
LITRES_PER_US_GALLON = 3.785411784
"""Exact: 231 cubic inches."""
VOLUME_UNITS = {"L": 1.0, "gal": LITRES_PER_US_GALLON}
"""Litres in each unit that a volume of water may be given in; gallons are US gallons."""
HOURS_PER_DAY = 24.0

UNIT_ALIASES = (
    ("ppm CaCO3", "mg/L CaCO3"),
    ("ppm", "mg/L"),
    ("ppm", "mg/L CaCO3"),
    ("mg/L as CaCO3", "mg/L CaCO3"),
    ("ppm as CaCO3", "mg/L CaCO3"),
    ("KH", "dKH"),
    ("dH", "dKH"),
    ("ppt", "g/kg"),
    ("psu", "g/kg"),
    ("specific gravity", "SG"),
    ("s.g.", "SG"),
    ("mS", "mS/cm"),
    ("gallon", "gal"),
    ("gallons", "gal"),
    ("us gal", "gal"),
    ("degC", "C"),
    ("°C", "C"),
    ("degF", "F"),
    ("°F", "F"),
)
"""Other spellings, each with the unit that it means where that unit is accepted: no parameter
accepts both of those that `ppm` stands for."""
