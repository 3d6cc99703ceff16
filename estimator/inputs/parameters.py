"""The registry of water parameters: one `Parameter(...)` each, and the one place to add another.

Plausible ranges mark readings as odd, never drop them. They are common practice, no source, set
wide around natural seawater (S = 35: alkalinity 6.6 dKH, calcium 422 mg/L, magnesium 1314 mg/L;
Millero et al. 2008 composition) and, for effluent, around the saturation ceiling of an acidified
chamber (61 dKH at pH 6.3, PyCO2SYS 1.8.3.4).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from estimator import units


@dataclass(frozen=True)
class Parameter:
    """One thing that can be read from water.

    Attributes:
        name: the `entry` in a log.
        canonical_unit: the unit used inside.
        units: canonical units in one of each accepted unit (an offset unit has its own rule).
        plausible: (low, high) in canonical units for tank, water and reference samples.
        plausible_effluent: the same for reactor effluent.
        possible: canonical; a value outside cannot be meant (a wrong unit, a slip of the decimal
            point) and is refused. Common practice, no source.
        default_unit: taken where the log and the tank file name none; "" where a guess could
            be wrong and the unit must be stated.
        samples: what may be sampled for it.
        assumed_step, assumed_repeatability: canonical; used where the tank file declares no kit
            (common practice, no source).
    """

    name: str
    canonical_unit: str
    units: Mapping[str, float]
    plausible: tuple[float, float]
    plausible_effluent: tuple[float, float]
    possible: tuple[float, float]
    default_unit: str = ""
    samples: frozenset[str] = frozenset({"tank", "effluent", "water", "reference"})
    assumed_step: float = 0.0
    assumed_repeatability: float = 0.0
    decimals: Mapping[str, int] = field(default_factory=dict)

    def to_canonical(self, value: float, unit: str) -> float:
        """`value` in `unit` as the canonical unit. `unit` is a key of `units`."""
        if unit == "F":
            return units.fahrenheit_to_celsius(value)
        return value * self.units[unit]

    def from_canonical(self, value: float, unit: str) -> float:
        """The inverse of `to_canonical`."""
        if unit == "F":
            return value * 1.8 + 32.0
        return value / self.units[unit]


_dkh = units.MEQ_L_PER_DKH

ALKALINITY = Parameter(
    name="alkalinity",
    canonical_unit="meq/L",
    units=units.ALKALINITY_UNITS,
    plausible=(3 * _dkh, 20 * _dkh),
    plausible_effluent=(5 * _dkh, 75 * _dkh),
    possible=(0.0, 300 * _dkh),
    assumed_step=0.3 * _dkh,
    assumed_repeatability=0.25 * _dkh,
    decimals={"dKH": 2, "meq/L": 3, "mmol/L": 3, "mg/L CaCO3": 1},
)
CALCIUM = Parameter(
    name="calcium",
    canonical_unit="mmol/L",
    units=units.mass_units(units.CA_G_MOL),
    plausible=(250 / units.CA_G_MOL, 650 / units.CA_G_MOL),
    plausible_effluent=(250 / units.CA_G_MOL, 1200 / units.CA_G_MOL),
    possible=(0.0, 5000 / units.CA_G_MOL),
    default_unit="mg/L",
    assumed_step=10 / units.CA_G_MOL,
    assumed_repeatability=8 / units.CA_G_MOL,
    decimals={"mg/L": 0, "mmol/L": 2},
)
MAGNESIUM = Parameter(
    name="magnesium",
    canonical_unit="mmol/L",
    units=units.mass_units(units.MG_G_MOL),
    plausible=(900 / units.MG_G_MOL, 1800 / units.MG_G_MOL),
    plausible_effluent=(900 / units.MG_G_MOL, 2500 / units.MG_G_MOL),
    possible=(0.0, 15000 / units.MG_G_MOL),
    default_unit="mg/L",
    assumed_step=20 / units.MG_G_MOL,
    assumed_repeatability=20 / units.MG_G_MOL,
    decimals={"mg/L": 0, "mmol/L": 1},
)
NITRATE = Parameter(
    name="nitrate",
    canonical_unit="mmol/L",
    units=units.mass_units(units.NO3_G_MOL),
    plausible=(0.0, 150 / units.NO3_G_MOL),
    plausible_effluent=(0.0, 150 / units.NO3_G_MOL),
    possible=(0.0, 5000 / units.NO3_G_MOL),
    default_unit="mg/L",
    assumed_step=2 / units.NO3_G_MOL,
    assumed_repeatability=2 / units.NO3_G_MOL,
    decimals={"mg/L": 1, "mmol/L": 3},
)
SALINITY = Parameter(
    name="salinity",
    canonical_unit="g/kg",
    units={"g/kg": 1.0},
    plausible=(25.0, 42.0),
    plausible_effluent=(25.0, 42.0),
    possible=(0.0, 200.0),
    default_unit="g/kg",
    samples=frozenset({"tank", "water"}),
    decimals={"g/kg": 1},
)
TEMPERATURE = Parameter(
    name="temperature",
    canonical_unit="C",
    units={"C": 1.0, "F": 1.0},
    plausible=(18.0, 33.0),
    plausible_effluent=(18.0, 33.0),
    possible=(-5.0, 60.0),
    default_unit="C",
    samples=frozenset({"tank"}),
    decimals={"C": 1, "F": 1},
)
PH = Parameter(
    name="ph",
    canonical_unit="NBS",
    units={"NBS": 1.0},
    plausible=(7.0, 9.0),
    plausible_effluent=(5.5, 8.5),
    possible=(0.0, 14.0),
    default_unit="NBS",
    samples=frozenset({"tank", "chamber", "effluent"}),
    decimals={"NBS": 2},
)

PARAMETERS: Mapping[str, Parameter] = {
    parameter.name: parameter
    for parameter in (ALKALINITY, CALCIUM, MAGNESIUM, NITRATE, SALINITY, TEMPERATURE, PH)
}
"""Every parameter by the name used in a log."""
