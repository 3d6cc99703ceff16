"""Seawater carbonate chemistry: the effluent of an acidified chamber, its CO2, and a tank's pH.

All rests on PyCO2SYS 1.8 (Lueker et al. 2000 K1 and K2, Dickson 1990 KS and KB, Perez & Fraga 1987
KF, Lee et al. 2010 boron, Mucci 1983 solubility); media are taken as pure aragonite.

With x mol/kg of CaCO3 dissolved and c mol/kg of CO2 added to tank water, alkalinity is TA0 + 2x,
calcium Ca0 + x, inorganic carbon DIC0 + x + c. At a known pH every other species is a fixed
fraction, so the saturation wanted gives a quadratic in x: no search is needed, nor any table.

    (Ca0 + x)(TA0 − N + 2x) = Ω Ksp (2 + H/K2),  N the non-carbonate alkalinity at that pH

Canonical units at the boundary (meq/L, mmol/L), mol/kg inside. Probes show the NBS scale, and all
constants are taken on it (PyCO2SYS: 0.137 above the total scale at S = 35, 25 °C; the real offset
varies with the probe). K1, K2 and Ksp assume the ion ratios of seawater, which the calcium of a
strong effluent leaves: Pitzer's equations give 3 to 4 % less alkalinity and 4 to 11 % more CO2 per
CaCO3 (`tests/published/test_phreeqc.py`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

Floats = np.ndarray | float

USUAL_TANK_PH = 8.1
"""Taken where no tank pH is read (common practice, no source)."""
LOWEST_PH, HIGHEST_PH = 4.5, 9.5
"""Where roots are looked for."""


def density_kg_l(salinity: float, temperature_c: float) -> float:
    """Density of seawater at one atmosphere, kg/L.

    EOS-80 (Millero & Poisson 1981; UNESCO Technical Papers in Marine Science 44, 1983), within
    4e-6 kg/L for 0 <= S <= 42 and 0 to 40 °C.
    """
    s, t = salinity, temperature_c
    pure = np.polyval(
        [6.536332e-9, -1.120083e-6, 1.001685e-4, -9.095290e-3, 6.793952e-2, 999.842594], t
    )
    first = np.polyval([5.3875e-9, -8.2467e-7, 7.6438e-5, -4.0899e-3, 0.824493], t)
    second = np.polyval([-1.6546e-6, 1.0227e-4, -5.72466e-3], t)
    return float(pure + first * s + second * s**1.5 + 4.8314e-4 * s**2) / 1000


@dataclass(frozen=True)
class Constants:
    """Equilibrium constants and conservative totals of one seawater, mol/kg, NBS scale.

    `solubility` of CO2 in mol/kg/atm; `free` is free H⁺ over the NBS activity 10^(−pH); bisulfate
    and fluoride constants are on the free scale.
    """

    density_kg_l: float
    solubility: float
    carbonic_1: float
    carbonic_2: float
    borate: float
    water: float
    bisulfate: float
    fluoride: float
    aragonite: float
    total_borate: float
    total_sulfate: float
    total_fluoride: float
    free: float


@lru_cache(maxsize=64)
def constants(salinity: float, temperature_c: float) -> Constants:
    """The constants at one salinity (practical, as g/kg) and temperature, from PyCO2SYS."""
    # Late: its import takes time that reading a log should not cost.
    import PyCO2SYS

    # Alkalinity and pH are placeholders: constants depend on salinity and temperature alone.
    found = PyCO2SYS.sys(
        par1=2300.0,
        par1_type=1,
        par2=8.0,
        par2_type=3,
        salinity=salinity,
        temperature=temperature_c,
        opt_pH_scale=4,
        opt_k_carbonic=10,
        opt_k_fluoride=2,
        opt_total_borate=2,
    )

    def value(key: str) -> float:
        return float(np.ravel(found[key])[0])

    names = ("carbonic_1", "carbonic_2", "borate", "water", "bisulfate", "fluoride", "aragonite")
    totals = ("total_borate", "total_sulfate", "total_fluoride")
    return Constants(
        density_kg_l=density_kg_l(salinity, temperature_c),
        solubility=value("k_CO2"),
        free=10.0 ** (value("pH_nbs") - value("pH_free")),
        **{name: value(f"k_{name}") for name in names},
        **{name: value(name) * 1e-6 for name in totals},
    )


@dataclass(frozen=True)
class TankWater:
    """The water that feeds the chamber. Arrays broadcast against each other.

    Attributes:
        alkalinity_meq_l, calcium_mmol_l: of the tank.
        ph_nbs: of the tank; sets what carbon the water brings along.
        salinity_g_kg, temperature_c: of tank and chamber.
    """

    alkalinity_meq_l: Floats
    calcium_mmol_l: Floats
    ph_nbs: Floats = USUAL_TANK_PH
    salinity_g_kg: float = 35.0
    temperature_c: float = 25.0

    @property
    def constants(self) -> Constants:
        """Of this water."""
        return constants(self.salinity_g_kg, self.temperature_c)

    @property
    def dic_mmol_l(self) -> np.ndarray:
        """Dissolved inorganic carbon."""
        return species(self.alkalinity_meq_l, self.ph_nbs, self.constants).dic_mmol_l

    @property
    def free_co2_mmol_l(self) -> np.ndarray:
        """Dissolved CO2."""
        return species(self.alkalinity_meq_l, self.ph_nbs, self.constants).free_co2_mmol_l


@dataclass(frozen=True)
class Species:
    """Carbon of one water, mmol/L; arrays of one shape. `other_meq_l`: non-carbonate alkalinity."""

    free_co2_mmol_l: np.ndarray
    bicarbonate_mmol_l: np.ndarray
    carbonate_mmol_l: np.ndarray
    other_meq_l: np.ndarray

    @property
    def dic_mmol_l(self) -> np.ndarray:
        """All dissolved inorganic carbon."""
        return self.free_co2_mmol_l + self.bicarbonate_mmol_l + self.carbonate_mmol_l


def _other_alkalinity(ph_nbs: Floats, k: Constants) -> np.ndarray:
    """Alkalinity of borate, hydroxide, H⁺, bisulfate and fluoride, mol/kg."""
    h = 10.0 ** -np.asarray(ph_nbs, dtype=float)
    free = h * k.free
    return (
        k.total_borate / (1 + h / k.borate)
        + k.water / h
        - free
        - k.total_sulfate / (1 + k.bisulfate / free)
        - k.total_fluoride / (1 + k.fluoride / free)
    )


def species(alkalinity_meq_l: Floats, ph_nbs: Floats, k: Constants) -> Species:
    """The carbon species at a known alkalinity and pH.

    TA = [HCO3] + 2[CO3] + [B(OH)4] + [OH] − [H] − [HSO4] − [HF] (Dickson, Sabine & Christian 2007,
    Guide, chapter 2; no nutrients).
    """
    h = 10.0 ** -np.asarray(ph_nbs, dtype=float)
    to_mmol_l = 1000 * k.density_kg_l
    other = _other_alkalinity(ph_nbs, k) * to_mmol_l
    carbonate = (np.asarray(alkalinity_meq_l, dtype=float) - other) / (2 + h / k.carbonic_2)
    bicarbonate = carbonate * h / k.carbonic_2
    return Species(
        free_co2_mmol_l=bicarbonate * h / k.carbonic_1,
        bicarbonate_mmol_l=bicarbonate,
        carbonate_mmol_l=carbonate,
        other_meq_l=np.broadcast_to(other, carbonate.shape),
    )


@dataclass(frozen=True)
class Effluent:
    """What leaves a chamber; arrays of one shape, mmol/L and meq/L.

    Attributes:
        ph_nbs: as it leaves, before it meets air.
        alkalinity_meq_l, calcium_mmol_l: of the effluent.
        dissolved_mmol_l: CaCO3 dissolved; 0 where tank water at this pH needs none to be at the
            saturation asked for, or above it.
        co2_mmol_l: CO2 added; this much has to leave the tank again at steady alkalinity.
        free_co2_mmol_l: dissolved CO2, ready to leave into air.
        saturation: Ω of aragonite.
    """

    ph_nbs: np.ndarray
    alkalinity_meq_l: np.ndarray
    calcium_mmol_l: np.ndarray
    dissolved_mmol_l: np.ndarray
    co2_mmol_l: np.ndarray
    free_co2_mmol_l: np.ndarray
    saturation: np.ndarray

    @property
    def co2_per_caco3(self) -> np.ndarray:
        """Moles of CO2 used per mole of CaCO3 dissolved; infinite where none dissolves."""
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = self.co2_mmol_l / self.dissolved_mmol_l
        return np.where(self.dissolved_mmol_l > 0, ratio, np.inf)


def _effluent(tank: TankWater, ph_nbs: Floats, dissolved: np.ndarray) -> Effluent:
    """All of the effluent from pH and the CaCO3 dissolved (mmol/L)."""
    k = tank.constants
    alkalinity = tank.alkalinity_meq_l + 2 * dissolved
    calcium = tank.calcium_mmol_l + dissolved
    carbon = species(alkalinity, ph_nbs, k)
    product = calcium * carbon.carbonate_mmol_l / (1000 * k.density_kg_l) ** 2
    alkalinity, calcium, ph, dissolved = np.broadcast_arrays(alkalinity, calcium, ph_nbs, dissolved)
    return Effluent(
        ph_nbs=ph,
        alkalinity_meq_l=alkalinity,
        calcium_mmol_l=calcium,
        dissolved_mmol_l=dissolved,
        co2_mmol_l=carbon.dic_mmol_l - tank.dic_mmol_l - dissolved,
        free_co2_mmol_l=carbon.free_co2_mmol_l,
        saturation=product / k.aragonite,
    )


def _dissolved(tank: TankWater, ph_nbs: Floats, saturation: Floats) -> np.ndarray:
    """CaCO3 (mmol/L) that brings tank water at this pH to this saturation; may be negative."""
    k = tank.constants
    scale = 1000 * k.density_kg_l
    h = 10.0 ** -np.asarray(ph_nbs, dtype=float)
    calcium = np.asarray(tank.calcium_mmol_l) / scale
    carbonates = np.asarray(tank.alkalinity_meq_l) / scale - _other_alkalinity(ph_nbs, k)
    wanted = np.asarray(saturation) * k.aragonite * (2 + h / k.carbonic_2)
    # 2 x² + (carbonates + 2 calcium) x + (calcium carbonates − wanted) = 0, the larger root.
    b = carbonates + 2 * calcium
    c = calcium * carbonates - wanted
    return -2 * c / (b + np.sqrt(b**2 - 8 * c)) * scale


def effluent(tank: TankWater, chamber_ph: Floats, saturation: Floats) -> Effluent:
    """Effluent of a chamber held at a pH (NBS) by CO2, whose media reach a saturation Ω.

    Args:
        tank: the feed.
        chamber_ph, saturation: broadcast against the tank's arrays. Ω = 1 is the ceiling.

    Returns:
        Where acidified tank water is above that saturation already, nothing dissolves and the
        `saturation` returned is that of the acidified water.
    """
    return _effluent(tank, chamber_ph, np.maximum(_dissolved(tank, chamber_ph, saturation), 0.0))


def effluent_of_alkalinity(
    tank: TankWater, chamber_ph: Floats, alkalinity_meq_l: Floats
) -> Effluent:
    """The inverse: which saturation a chamber reaches whose effluent has this alkalinity.

    An alkalinity below the tank's would mean that CaCO3 fell out: `dissolved_mmol_l` is negative.
    """
    increment = np.asarray(alkalinity_meq_l, dtype=float) - tank.alkalinity_meq_l
    return _effluent(tank, chamber_ph, increment / 2)


def effluent_of_co2(
    tank: TankWater, co2_mmol_l: Floats, saturation: Floats, lowest_ph: Floats = LOWEST_PH
) -> Effluent:
    """Effluent of a closed chamber that was given this much CO2 and reaches this saturation.

    The CO2 that goes with a saturation falls as pH rises: its pH is found by bisection, to 1e-12 of
    the bracket.
    """
    given = (tank.alkalinity_meq_l, tank.calcium_mmol_l, tank.ph_nbs, co2_mmol_l, saturation)
    low, high, *_ = (
        np.array(edge, dtype=float) for edge in np.broadcast_arrays(lowest_ph, HIGHEST_PH, *given)
    )
    for _ in range(40):
        middle = 0.5 * (low + high)
        found = _effluent(tank, middle, _dissolved(tank, middle, saturation))
        above = found.co2_mmol_l > co2_mmol_l
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    ph = 0.5 * (low + high)
    return _effluent(tank, ph, _dissolved(tank, ph, saturation))


def second_chamber(tank: TankWater, first: Effluent, saturation: Floats = 1.0) -> Effluent:
    """What leaves a closed second chamber without gas, whose media reach this saturation.

    It dissolves more with the CO2 that the first left over: less free CO2, more alkalinity, higher
    pH. Where the first is at that saturation already it changes nothing.
    """
    second = effluent_of_co2(tank, first.co2_mmol_l, saturation, first.ph_nbs)
    idle = first.saturation >= saturation
    dissolved = np.where(idle, first.dissolved_mmol_l, second.dissolved_mmol_l)
    return _effluent(tank, np.where(idle, first.ph_nbs, second.ph_nbs), dissolved)


def ph_of_free_co2(alkalinity_meq_l: Floats, free_co2_mmol_l: Floats, k: Constants) -> np.ndarray:
    """pH (NBS) of water of known alkalinity and dissolved CO2, by Newton's method.

    Rising alkalinity at fixed CO2 means rising pH: Σ = CO2 (K1/H + 2 K1 K2/H²) + N(pH).
    """
    scale = 1000 * k.density_kg_l
    alkalinity, co2 = np.broadcast_arrays(
        np.asarray(alkalinity_meq_l, dtype=float) / scale,
        np.asarray(free_co2_mmol_l, dtype=float) / scale,
    )
    ph = -np.log10(k.carbonic_1 * co2 / alkalinity)
    step = 1e-4
    for _ in range(8):
        miss = _log_alkalinity(ph, co2, k) - np.log(alkalinity)
        slope = (_log_alkalinity(ph + step, co2, k) - _log_alkalinity(ph, co2, k)) / step
        ph = ph - np.clip(miss / slope, -0.5, 0.5)
    return ph


def _log_alkalinity(ph_nbs: np.ndarray, co2: np.ndarray, k: Constants) -> np.ndarray:
    h = 10.0**-ph_nbs
    bicarbonate = co2 * k.carbonic_1 / h
    total = bicarbonate * (1 + 2 * k.carbonic_2 / h) + _other_alkalinity(ph_nbs, k)
    return np.log(np.maximum(total, 1e-9))
