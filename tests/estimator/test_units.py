"""Unit conversions and recipe strengths against figures from outside the project."""

from __future__ import annotations

import pytest
from scipy import constants

from estimator import units
from estimator.inputs.dosing import RECIPES, solution_from_strengths
from estimator.inputs.parameters import ALKALINITY, CALCIUM, NITRATE, PARAMETERS, TEMPERATURE


@pytest.mark.parametrize(
    ("unit", "expected"), [("meq/L", 2.85322), ("mmol/L", 2.85322), ("mg/L CaCO3", 142.784)]
)
def test_eight_german_degrees_in_other_units(unit: str, expected: float) -> None:
    """8 dKH is 80 mg/L of CaO by the DIN definition (from memory), 56.077 g/mol, 2 eq/mol."""
    canonical = ALKALINITY.to_canonical(8.0, "dKH")
    assert ALKALINITY.from_canonical(canonical, unit) == pytest.approx(expected, rel=1e-5)


def test_german_degree_as_calcium_carbonate() -> None:
    """Water hardness tables give 17.848 mg/L CaCO3 for one German degree (from memory)."""
    one_degree_mg_l = ALKALINITY.from_canonical(units.MEQ_L_PER_DKH, "mg/L CaCO3")
    assert one_degree_mg_l == pytest.approx(17.848, abs=5e-4)


def test_milliequivalent_as_german_degrees() -> None:
    """The usual factor from meq/L to German degrees is 2.8 (common practice), exactly 2.80385."""
    assert ALKALINITY.from_canonical(1.0, "dKH") == pytest.approx(2.80385, abs=1e-5)


def test_calcium_taken_up_with_one_degree() -> None:
    """Pure CaCO3 takes 2 eq of alkalinity per mole (Middelburg et al. 2020, Table 2, R11)."""
    calcium_mmol_l = units.MEQ_L_PER_DKH / 2
    assert CALCIUM.from_canonical(calcium_mmol_l, "mg/L") == pytest.approx(7.147, abs=1e-3)


def test_carbonate_laid_down_by_two_degrees_in_250_litres() -> None:
    """Alkalinity anomaly (Smith & Key 1975): half the alkalinity lost is CaCO3 laid down."""
    calcium_carbonate_mmol = 250 * 2 * units.MEQ_L_PER_DKH / 2
    assert calcium_carbonate_mmol == pytest.approx(89.163, abs=1e-3)
    assert calcium_carbonate_mmol * units.CACO3_G_MOL / 1000 == pytest.approx(8.924, abs=1e-3)


def test_alkalinity_lost_to_nitrate_from_food() -> None:
    """Food nitrogen ending as nitrate takes 1 eq per mole (Middelburg et al. 2020, Table 2)."""
    lost_meq_l = NITRATE.to_canonical(10.0, "mg/L")
    assert ALKALINITY.from_canonical(lost_meq_l, "dKH") == pytest.approx(0.452, abs=1e-3)


def test_calcium_of_natural_seawater() -> None:
    """Millero et al. 2008: 0.0102821 mol/kg at S = 35; with 1.023343 kg/L that is 421.7 mg/L."""
    mmol_l = 10.2821 * 1.023343
    assert CALCIUM.from_canonical(mmol_l, "mg/L") == pytest.approx(421.7, abs=0.05)


def test_us_gallon_is_that_of_scipy() -> None:
    """scipy.constants holds the US gallon in cubic metres."""
    assert pytest.approx(constants.gallon * 1000, rel=1e-12) == units.LITRES_PER_US_GALLON


@pytest.mark.parametrize("fahrenheit", [32.0, 77.0, 78.8, -40.0])
def test_fahrenheit_is_that_of_scipy(fahrenheit: float) -> None:
    """scipy.constants converts temperatures independently of this project."""
    expected = constants.convert_temperature(fahrenheit, "Fahrenheit", "Celsius")
    assert TEMPERATURE.to_canonical(fahrenheit, "F") == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("recipe", "g_per_mol"),
    [
        ("sodium_carbonate_g_per_l", 105.988),
        ("sodium_bicarbonate_g_per_l", 84.007),
        ("calcium_hydroxide_g_per_l", 74.09),
        ("calcium_chloride_dihydrate_g_per_l", 147.01),
        ("magnesium_chloride_hexahydrate_g_per_l", 203.30),
    ],
)
def test_salt_molar_masses(recipe: str, g_per_mol: float) -> None:
    """Molar masses as printed in the CRC Handbook and on reagent labels (from memory)."""
    assert RECIPES[recipe].salt_g_mol == pytest.approx(g_per_mol, abs=0.01)


def test_molar_soda_holds_two_milliequivalents_per_ml() -> None:
    """A mole of carbonate takes two moles of acid: 105.988 g/L (CRC, from memory) is 2 meq/mL."""
    soda = solution_from_strengths("soda", {"sodium_carbonate_g_per_l": 105.988})
    assert soda.alkalinity_meq_per_ml == pytest.approx(2.0, rel=1e-4)
    assert soda.calcium_mmol_per_ml == soda.magnesium_mmol_per_ml == 0


def test_calcium_chloride_recipe_in_milligrams() -> None:
    """147.01 g of the dihydrate (CRC, from memory) holds one mole, 40.08 g, of calcium."""
    chloride = solution_from_strengths("c", {"calcium_chloride_dihydrate_g_per_l": 147.01})
    assert chloride.calcium_mmol_per_ml * units.CA_G_MOL == pytest.approx(40.08, abs=0.01)


def test_recipes_and_direct_strengths_add_up() -> None:
    """Several salts in one bottle add; one does not replace another."""
    mixed = solution_from_strengths(
        "mixed",
        {
            "sodium_bicarbonate_g_per_l": 84.007,
            "alkalinity_meq_per_ml": 0.5,
            "magnesium_chloride_hexahydrate_g_per_l": 203.30,
        },
    )
    assert mixed.alkalinity_meq_per_ml == pytest.approx(1.5, rel=1e-4)
    assert mixed.magnesium_mmol_per_ml == pytest.approx(1.0, rel=1e-4)


@pytest.mark.parametrize("name", PARAMETERS)
def test_every_unit_converts_there_and_back(name: str) -> None:
    """A value is printed in the keeper's unit exactly as it was written."""
    parameter = PARAMETERS[name]
    low, high = parameter.plausible
    for unit in parameter.units:
        # Not in the middle, where a slip may cancel; of five digits, as a keeper writes it.
        written = float(f"{parameter.from_canonical(0.7 * low + 0.3 * high, unit):.5g}")
        canonical = parameter.to_canonical(written, unit)
        assert low < canonical < high
        assert parameter.from_canonical(canonical, unit) == pytest.approx(written, rel=1e-12)


@pytest.mark.parametrize("name", PARAMETERS)
def test_plausible_values_are_possible(name: str) -> None:
    """A reading can be refused as impossible only where it is far from plausible."""
    parameter = PARAMETERS[name]
    for low, high in (parameter.plausible, parameter.plausible_effluent):
        assert parameter.possible[0] <= low < high < parameter.possible[1]
