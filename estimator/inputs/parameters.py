"""The registry of water parameters: one `Parameter(...)` each, and the one place to add another.

Plausible ranges mark readings as odd, never drop them. They are common practice, no source, set
wide around natural seawater (S = 35: alkalinity 6.6 dKH, calcium 422 mg/L, magnesium 1314 mg/L;
Millero et al. 2008 composition) and, for effluent, around the saturation ceiling of an acidified
chamber (61 dKH at pH 6.3, PyCO2SYS 1.8.3.4).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from estimator import units
from estimator.inputs.salinity_scales import (
    conductivity_ms_cm,
    salinity_of_conductivity,
    salinity_of_specific_gravity,
    specific_gravity,
)

SAMPLED_PLACES = ("tank", "effluent", "chamber")
"""Where water is sampled; `of` in a log may also name a water or a reference of the tank file."""

_Range = tuple[float, float]
_Curve = tuple[Callable[[float], float], Callable[[float], float]]


@dataclass(frozen=True)
class Parameter:
    """One thing that can be read from water. Ranges and sizes are in its canonical unit.

    Attributes:
        name: the `entry` in a log.
        units: canonical units in one of each accepted unit.
        curves: for units that are not proportional to the canonical one, (to it, from it); their
            size in `units` is 1 and means nothing.
        plausible: (low, high) for tank, water and reference samples.
        plausible_effluent: the same for reactor effluent.
        possible: a value outside cannot be meant (a wrong unit, a slip of the decimal point) and
            is refused. Common practice, no source.
        default_unit: taken where the log and the tank file name none; "" where a guess could
            be wrong and the unit must be stated.
        samples: what may be sampled for it.
        assumed_step, assumed_repeatability: used where the tank file declares no kit (common
            practice, no source).
    """

    name: str
    units: Mapping[str, float]
    plausible: _Range
    plausible_effluent: _Range
    possible: _Range
    default_unit: str = ""
    samples: frozenset[str] = frozenset({"tank", "effluent", "water", "reference"})
    curves: Mapping[str, _Curve] = field(default_factory=dict)
    assumed_step: float = 0.0
    assumed_repeatability: float = 0.0

    def to_canonical(self, value: float, unit: str) -> float:
        """`value` in `unit` as the canonical unit. `unit` is a key of `units`."""
        if unit in self.curves:
            return self.curves[unit][0](value)
        return value * self.units[unit]

    def from_canonical(self, value: float, unit: str) -> float:
        """The inverse of `to_canonical`."""
        if unit in self.curves:
            return self.curves[unit][1](value)
        return value / self.units[unit]

    def unit_size(self, unit: str) -> float:
        """Canonical size of a difference of one `unit`, at usual levels; it knows no offset."""
        if unit not in self.curves:
            return self.units[unit]
        low, high = self.plausible
        return (high - low) / (self.from_canonical(high, unit) - self.from_canonical(low, unit))

    def stated_unit(self, *candidates: str) -> str:
        """The first of `candidates` that is not blank, else the default unit, "" if none."""
        return next((unit for unit in candidates if unit), self.default_unit)

    def is_possible(self, value: float) -> bool:
        """Whether a canonical `value` can be meant at all; NaN (already a fault) passes."""
        low, high = self.possible
        return not (value < low or value > high)

    def oddity(self, value: float, unit: str, sample: str) -> str:
        """Why a canonical `value` may be odd, told in `unit`; "" where it is plausible."""
        of_reactor = sample in ("effluent", "chamber")
        low, high = limits = self.plausible_effluent if of_reactor else self.plausible
        if low <= value <= high:
            return ""
        usual = self.range_text(limits, unit)
        return f"outside {usual}, the plausible range for {sample} {self.name}"

    def range_text(self, limits: _Range, unit: str) -> str:
        """`3 to 20 dKH` from canonical `limits`; an upper limit of infinity reads `or more`."""
        low, high = (self.from_canonical(limit, unit) for limit in limits)
        if math.isinf(high):
            return f"{low:g} {unit} or more"
        low_text, high_text = (f"{float(f'{limit:.4g}'):g}" for limit in (low, high))
        return f"{low_text} to {high_text} {unit}"


def _solute(
    name: str,
    g_mol: float,
    tank: _Range,
    effluent: _Range,
    most: float,
    *,
    step: float,
    repeatability: float,
) -> Parameter:
    """A solute of molar mass `g_mol`; all else in mg/L, its usual unit.

    `tank` and `effluent` are what is plausible there, `most` is the largest possible value.
    """
    return Parameter(
        name,
        units={"mg/L": 1 / g_mol, "mmol/L": 1.0},
        plausible=(tank[0] / g_mol, tank[1] / g_mol),
        plausible_effluent=(effluent[0] / g_mol, effluent[1] / g_mol),
        possible=(0.0, most / g_mol),
        default_unit="mg/L",
        assumed_step=step / g_mol,
        assumed_repeatability=repeatability / g_mol,
    )


_dkh = units.MEQ_L_PER_DKH

ALKALINITY = Parameter(
    "alkalinity",
    # In mmol/L it counts equivalents: 1 mmol/L of HCO3- neutralises 1 mmol/L of H+.
    units={
        "dKH": units.MEQ_L_PER_DKH,
        "meq/L": 1.0,
        "mmol/L": 1.0,
        "mg/L CaCO3": units.MEQ_L_PER_MG_L_CACO3,
    },
    plausible=(3 * _dkh, 20 * _dkh),
    plausible_effluent=(5 * _dkh, 75 * _dkh),
    possible=(0.0, 300 * _dkh),
    assumed_step=0.3 * _dkh,
    assumed_repeatability=0.25 * _dkh,
)
CALCIUM = _solute(
    "calcium", units.CA_G_MOL, (250, 650), (250, 1200), 5000, step=10, repeatability=8
)
MAGNESIUM = _solute(
    "magnesium", units.MG_G_MOL, (900, 1800), (900, 2500), 15000, step=20, repeatability=20
)
NITRATE = _solute("nitrate", units.NO3_G_MOL, (0.0, 150), (0.0, 150), 5000, step=2, repeatability=2)
PHOSPHATE = _solute("phosphate", units.PO4_G_MOL, (0.0, 1), (0.0, 1), 50, step=0, repeatability=0)
SALINITY = Parameter(
    "salinity",
    units={"g/kg": 1.0, "SG": 1.0, "mS/cm": 1.0},
    curves={
        "SG": (salinity_of_specific_gravity, specific_gravity),
        "mS/cm": (salinity_of_conductivity, conductivity_ms_cm),
    },
    plausible=(25.0, 42.0),
    plausible_effluent=(25.0, 42.0),
    possible=(0.0, 200.0),
    default_unit="g/kg",
    samples=frozenset({"tank", "water"}),
)
TEMPERATURE = Parameter(
    "temperature",
    units={"C": 1.0, "F": 1.0},
    curves={"F": (lambda f: (f - 32.0) / 1.8, lambda c: c * 1.8 + 32.0)},
    plausible=(18.0, 33.0),
    plausible_effluent=(18.0, 33.0),
    possible=(-5.0, 60.0),
    default_unit="C",
    samples=frozenset({"tank"}),
)
PH = Parameter(
    "ph",
    units={"NBS": 1.0},
    plausible=(7.0, 9.0),
    plausible_effluent=(5.5, 8.5),
    possible=(0.0, 14.0),
    default_unit="NBS",
    samples=frozenset({"tank", "chamber", "effluent"}),
)

PARAMETERS: Mapping[str, Parameter] = {
    parameter.name: parameter
    for parameter in (ALKALINITY, CALCIUM, MAGNESIUM, NITRATE, PHOSPHATE, SALINITY, TEMPERATURE, PH)
}
"""Every parameter by the name used in a log."""

ENTRY_WORDS: Mapping[str, tuple[str, str]] = {
    "alk": ("alkalinity", ""),
    "KH": ("alkalinity", ""),
    "dKH": ("alkalinity", "dKH"),
    "ca": ("calcium", ""),
    "mg": ("magnesium", ""),
    "NO3": ("nitrate", ""),
    "PO4": ("phosphate", ""),
    "sal": ("salinity", ""),
    "SG": ("salinity", "SG"),
    "specific gravity": ("salinity", "SG"),
    "conductivity": ("salinity", "mS/cm"),
    "temp": ("temperature", ""),
}
"""Other words for a parameter, with the unit that the word itself states, "" where it states none.
A hardness in degrees of carbonate is written KH with any unit, and dKH only in its own."""
