"""Dosed solutions and their strengths. A recipe is one entry in `RECIPES`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from estimator import units


@dataclass(frozen=True)
class Solution:
    """What one mL adds: alkalinity in meq, calcium and magnesium in mmol."""

    name: str
    alkalinity_meq_per_ml: float = 0.0
    calcium_mmol_per_ml: float = 0.0
    magnesium_mmol_per_ml: float = 0.0


@dataclass(frozen=True)
class Recipe:
    """A salt dissolved to a known mass per litre. Amounts are per mole of the salt."""

    salt_g_mol: float
    alkalinity_eq: float = 0.0
    calcium_mol: float = 0.0
    magnesium_mol: float = 0.0


RECIPES: Mapping[str, Recipe] = {
    "sodium_carbonate_g_per_l": Recipe(
        2 * units.NA_G_MOL + units.C_G_MOL + 3 * units.O_G_MOL, alkalinity_eq=2.0
    ),
    "sodium_bicarbonate_g_per_l": Recipe(
        units.NA_G_MOL + units.H_G_MOL + units.C_G_MOL + 3 * units.O_G_MOL, alkalinity_eq=1.0
    ),
    "calcium_chloride_dihydrate_g_per_l": Recipe(
        units.CA_G_MOL + 2 * units.CL_G_MOL + 2 * units.WATER_G_MOL, calcium_mol=1.0
    ),
    "magnesium_chloride_hexahydrate_g_per_l": Recipe(
        units.MG_G_MOL + 2 * units.CL_G_MOL + 6 * units.WATER_G_MOL, magnesium_mol=1.0
    ),
}
"""Recipe keys of a `[solutions.NAME]` table; several in one table add up."""

DIRECT_STRENGTHS = ("alkalinity_meq_per_ml", "calcium_mmol_per_ml", "magnesium_mmol_per_ml")
"""Strength keys that are taken as they stand."""


def alkalinity_meq_d(solutions: Mapping[str, Solution], ml_d: Mapping[str, float]) -> float:
    """meq/day of alkalinity that rates (mL/day by name) of these solutions bring."""
    return sum(solutions[name].alkalinity_meq_per_ml * ml for name, ml in ml_d.items())


def solution_from_strengths(name: str, strengths: Mapping[str, float]) -> Solution:
    """A `Solution` from any mix of recipe keys (g/L) and direct strengths (per mL).

    One g/L of a salt of molar mass M holds 1/M mol/L, that is 1/M mmol/mL.
    """
    totals = dict.fromkeys(DIRECT_STRENGTHS, 0.0)
    for key, value in strengths.items():
        if key in totals:
            totals[key] += value
            continue
        recipe = RECIPES[key]
        mmol_per_ml = value / recipe.salt_g_mol
        totals["alkalinity_meq_per_ml"] += recipe.alkalinity_eq * mmol_per_ml
        totals["calcium_mmol_per_ml"] += recipe.calcium_mol * mmol_per_ml
        totals["magnesium_mmol_per_ml"] += recipe.magnesium_mol * mmol_per_ml
    return Solution(name=name, **totals)
