"""Dosed solutions and their strengths. A recipe is one entry in `RECIPES`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from estimator import units

BICARBONATE_MEQ_PER_ML = 1.2
"""No more bicarbonate dissolves near 20 to 25 °C: 96 to 103 g of NaHCO3 per kg of water (from
memory). A stronger solution is carbonate."""
CARBONATE_DIC_PER_EQ = 0.5
UNSURE_DIC_PER_EQ = 0.75
"""Taken for a weaker one of which only the strength is stated: half way from carbonate (0.5) to
bicarbonate (1)."""


@dataclass(frozen=True)
class Solution:
    """What one mL adds: alkalinity in meq, calcium and magnesium in mmol.

    `dic_per_eq` is the inorganic carbon that comes with an equivalent of alkalinity, mol: 1 in
    bicarbonate, ½ in carbonate, none in hydroxide. None where only a strength is stated.
    """

    name: str
    alkalinity_meq_per_ml: float = 0.0
    calcium_mmol_per_ml: float = 0.0
    magnesium_mmol_per_ml: float = 0.0
    dic_per_eq: float | None = None

    @property
    def usual_dic_per_eq(self) -> float:
        """`dic_per_eq`, or what a solution of this strength is likely made of."""
        if self.dic_per_eq is not None:
            return self.dic_per_eq
        strong = self.alkalinity_meq_per_ml > BICARBONATE_MEQ_PER_ML
        return CARBONATE_DIC_PER_EQ if strong else UNSURE_DIC_PER_EQ


@dataclass(frozen=True)
class Recipe:
    """A salt dissolved to a known mass per litre. Amounts are per mole of the salt.

    `most_g_per_l` is refused above, with `remedy`: what dissolves (from memory), set at the upper
    end, for a warm room or a litre of water in place of a litre of solution.
    """

    salt_g_mol: float
    most_g_per_l: float
    remedy: str = "no more dissolves in a litre; is it ten times too high?"
    alkalinity_eq: float = 0.0
    calcium_mol: float = 0.0
    magnesium_mol: float = 0.0
    carbon_mol: float = 0.0


RECIPES: Mapping[str, Recipe] = {
    # 215 to 300 g/L from 20 to 25 °C.
    "sodium_carbonate_g_per_l": Recipe(
        2 * units.NA_G_MOL + units.C_G_MOL + 3 * units.O_G_MOL,
        290,
        alkalinity_eq=2.0,
        carbon_mol=1.0,
    ),
    # 96 to 103 g per kg of water from 20 to 25 °C.
    "sodium_bicarbonate_g_per_l": Recipe(
        units.NA_G_MOL + units.H_G_MOL + units.C_G_MOL + 3 * units.O_G_MOL,
        110,
        alkalinity_eq=1.0,
        carbon_mol=1.0,
    ),
    # 1.59 g/L at 25 °C, 1.7 in a cool room. Powder beyond that brings what it holds only where it
    # is dosed too, and clear limewater brings what is dissolved: more is not guessed at.
    "calcium_hydroxide_g_per_l": Recipe(
        units.CA_G_MOL + 2 * units.O_G_MOL + 2 * units.H_G_MOL,
        1.7,
        "no more dissolves; write 1.59 for clear limewater above powder; for milk of lime that is "
        "dosed with its powder, alkalinity_meq_per_ml and calcium_mmol_per_ml",
        alkalinity_eq=2.0,
        calcium_mol=1.0,
    ),
    # Both chlorides dissolve in about their own mass of water or less: 1000 and 1600 g/L and more.
    "calcium_chloride_dihydrate_g_per_l": Recipe(
        units.CA_G_MOL + 2 * units.CL_G_MOL + 2 * units.WATER_G_MOL, 1200, calcium_mol=1.0
    ),
    "magnesium_chloride_hexahydrate_g_per_l": Recipe(
        units.MG_G_MOL + 2 * units.CL_G_MOL + 6 * units.WATER_G_MOL, 1700, magnesium_mol=1.0
    ),
}
"""Recipe keys of a `[solutions.NAME]` table; several in one table add up."""

MOST_PER_ML: Mapping[str, float] = {
    "alkalinity_meq_per_ml": 5.5,
    "calcium_mmol_per_ml": 8.5,
    "magnesium_mmol_per_ml": 8.5,
}
"""Most that one mL of any solution adds: saturated sodium carbonate, calcium chloride and magnesium
chloride (from memory, as above)."""

DIRECT_STRENGTHS: Mapping[str, tuple[str, float]] = {
    **{key: (key, 1.0) for key in MOST_PER_ML},
    "raises_100_l_dkh_per_ml": ("alkalinity_meq_per_ml", 100 * units.MEQ_L_PER_DKH),
    "raises_100_us_gal_dkh_per_ml": (
        "alkalinity_meq_per_ml",
        100 * units.LITRES_PER_US_GALLON * units.MEQ_L_PER_DKH,
    ),
}
"""Strength keys that need no recipe: what one mL adds, and how much of it for each one stated. The
last two are what a label says: 1 mL raises 100 L, or 100 US gallons, by so many dKH."""


def alkalinity_meq_d(solutions: Mapping[str, Solution], ml_d: Mapping[str, float]) -> float:
    """meq/day of alkalinity that rates (mL/day by name) of these solutions bring."""
    return sum(solutions[name].alkalinity_meq_per_ml * ml for name, ml in ml_d.items())


def most_stated(key: str) -> float:
    """Largest value of a strength key that a solution can hold."""
    if key in RECIPES:
        return RECIPES[key].most_g_per_l
    adds, per_stated = DIRECT_STRENGTHS[key]
    return MOST_PER_ML[adds] / per_stated


def solution_from_strengths(name: str, strengths: Mapping[str, float]) -> Solution:
    """A `Solution` from any mix of recipe keys (g/L) and direct strengths (per mL).

    One g/L of a salt of molar mass M holds 1/M mol/L, that is 1/M mmol/mL.
    """
    totals = dict.fromkeys(MOST_PER_ML, 0.0)
    carbon = 0.0
    for key, value in strengths.items():
        if key in DIRECT_STRENGTHS:
            adds, per_stated = DIRECT_STRENGTHS[key]
            totals[adds] += value * per_stated
            continue
        recipe = RECIPES[key]
        mmol_per_ml = value / recipe.salt_g_mol
        totals["alkalinity_meq_per_ml"] += recipe.alkalinity_eq * mmol_per_ml
        totals["calcium_mmol_per_ml"] += recipe.calcium_mol * mmol_per_ml
        totals["magnesium_mmol_per_ml"] += recipe.magnesium_mol * mmol_per_ml
        carbon += recipe.carbon_mol * mmol_per_ml
    alkalinity = totals["alkalinity_meq_per_ml"]
    by_strength = any(
        strengths.get(key)
        for key, (adds, _) in DIRECT_STRENGTHS.items()
        if adds == "alkalinity_meq_per_ml"
    )
    by_recipe = alkalinity > 0 and not by_strength
    return Solution(name=name, **totals, dic_per_eq=carbon / alkalinity if by_recipe else None)
