"""What the tank file says, in canonical units: meq/L, mmol/L, L, fractions instead of per cent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from estimator.inputs.dosing import Solution
from estimator.units import VOLUME_UNITS

CO2_LIMIT_G = 50_000.0
"""The largest cylinders that one person moves hold 50 kg (common practice, no source)."""
MEDIA_LIMIT_KG = 1_000.0
"""More media than this is a slip of the unit."""
MEDIA = ("aragonite", "calcite")
"""What the main medium of a reactor may be; the first where the file states none."""
MAGNESIUM_MEDIA = ("none", "dolomite", "magnesite", "hydroxide")
"""What is mixed in for its magnesium; "hydroxide" is brucite, and magnesium oxide as well."""
USUAL_MINUTES = 5.0
"""Of one titration, where the tank file states none (common practice, no source)."""


@dataclass(frozen=True)
class Target:
    """The band the keeper wants for one parameter, canonical units.

    `unit` is the keeper's; `max_rise_per_day` is None where the file states none.
    """

    low: float
    high: float
    unit: str
    max_rise_per_day: float | None = None

    @property
    def middle(self) -> float:
        """Middle of the band, canonical units."""
        return 0.5 * (self.low + self.high)


@dataclass(frozen=True)
class Kit:
    """A test kit. `step`, `repeatability` in canonical units; `calibration_sd` is a fraction.

    `repeatability` is None where the file states none, `calibration_sd`, `minutes` and `price` (of
    one test, in the keeper's money) too.
    `assumed` marks a kit that the file does not declare.
    """

    name: str
    parameter: str
    unit: str
    step: float
    repeatability: float | None = None
    calibration_sd: float | None = None
    minutes: float | None = None
    assumed: bool = False
    price: float | None = None


@dataclass(frozen=True)
class Composition:
    """Stated composition of a new salt water or of a reference solution.

    `levels` maps parameter names to canonical values; a parameter not stated is absent.
    """

    name: str
    levels: Mapping[str, float]


@dataclass(frozen=True)
class Reactor:
    """The calcium reactor and its metering pump.

    `magnesium_media_fraction` is by volume of the media, and `magnesium_media` one of
    `MAGNESIUM_MEDIA`. None: not stated.
    """

    flow_min_ml_h: float
    flow_max_ml_h: float
    flow_step_ml_h: float
    chamber_ph: float | None = None
    chambers: int = 1
    media_kg: float | None = None
    magnesium_media_fraction: float = 0.0
    co2_charge_g: float | None = None
    media: str = MEDIA[0]
    magnesium_media: str | None = None


@dataclass(frozen=True)
class Tank:
    """The whole tank file.

    `lights_on_h` and `lights_off_h` are hours after local midnight; lights may cross midnight.
    `salinity_g_kg` is practical salinity's value; `reactor` is None where the tank has none yet;
    `room_co2_ppm` of the room's air is None where the file states none; `date_order` of the log is
    one of `moment.DATE_ORDERS`, "" where it states none. `volume_unit` is a key of
    `units.VOLUME_UNITS` and `salinity_unit` one of the units of salinity: those in which the file
    states the tank's own volume and salinity, and in which both are told.
    """

    name: str
    water_volume_l: float
    water_volume_sd_fraction: float
    salinity_g_kg: float
    temperature_c: float
    lights_on_h: float
    lights_off_h: float
    targets: Mapping[str, Target]
    kits: Mapping[str, Kit]
    solutions: Mapping[str, Solution]
    waters: Mapping[str, Composition]
    references: Mapping[str, Composition]
    reactor: Reactor | None = None
    room_co2_ppm: float | None = None
    date_order: str = ""
    volume_unit: str = "L"
    salinity_unit: str = "g/kg"

    @property
    def volume_unit_l(self) -> float:
        """Litres in one of the unit that volumes of water are told in."""
        return VOLUME_UNITS[self.volume_unit]
