"""What every parameter, action and recipe must keep to, so that one entry adds another."""

from __future__ import annotations

import pytest

from estimator import units
from estimator.inputs.actions import ACTIONS, ActionKind
from estimator.inputs.columns import ENTRY_UNITS
from estimator.inputs.dosing import (
    DIRECT_STRENGTHS,
    MOST_PER_ML,
    RECIPES,
    most_stated,
    solution_from_strengths,
)
from estimator.inputs.parameters import ENTRY_WORDS, PARAMETERS, SAMPLED_PLACES, Parameter
from estimator.inputs.text import match_name
from helpers.tanks import example_tank


@pytest.mark.parametrize("parameter", PARAMETERS.values(), ids=PARAMETERS)
def test_a_parameter_is_consistent(parameter: Parameter) -> None:
    """It has a canonical unit, its default is one of its units, and what is usual is possible."""
    assert 1.0 in parameter.units.values()
    assert parameter.default_unit in ("", *parameter.units)
    assert parameter.samples <= {*SAMPLED_PLACES, "water", "reference"}
    assert "tank" in parameter.samples
    for low, high in (parameter.plausible, parameter.plausible_effluent):
        assert parameter.is_possible(low)
        assert parameter.is_possible(high)
        assert low < high
    assert (parameter.assumed_step > 0) == (parameter.assumed_repeatability > 0)


@pytest.mark.parametrize("unit", ["F", "C"])
def test_a_difference_has_no_offset(unit: str) -> None:
    """A thermometer's step of one degree is no level of one degree."""
    size = PARAMETERS["temperature"].unit_size(unit)
    assert size == pytest.approx({"F": 5 / 9, "C": 1.0}[unit])


@pytest.mark.parametrize("action", ACTIONS.values(), ids=ACTIONS)
def test_an_action_is_consistent(action: ActionKind) -> None:
    """Its first unit is the canonical one, and a value can only be needed where it has a unit."""
    assert action.of in ("", "solutions", "waters", "kits", "reactor")
    assert action.units.get(action.canonical_unit, 1.0) == 1.0
    assert bool(action.units) or not action.value_needed


@pytest.mark.parametrize("parameter", PARAMETERS.values(), ids=PARAMETERS)
def test_every_unit_leads_there_and_back(parameter: Parameter) -> None:
    """What is shown in a unit is what was read in it; more of it is more, and sizes agree."""
    low, high = parameter.plausible
    middle = 0.5 * (low + high)
    for unit in parameter.units:
        shown = [parameter.from_canonical(level, unit) for level in (low, middle, high)]
        assert shown == sorted(shown)
        back = [parameter.to_canonical(level, unit) for level in shown]
        assert back == pytest.approx([low, middle, high], rel=1e-9)
        rise = parameter.unit_size(unit) * (shown[2] - shown[0])
        assert rise == pytest.approx(high - low, rel=1e-9)


@pytest.mark.parametrize(("word", "meant"), ENTRY_WORDS.items())
def test_another_word_is_no_name_and_states_a_unit_of_its_own(
    word: str, meant: tuple[str, str]
) -> None:
    """A word leads to one parameter, in a unit that it accepts."""
    parameter, unit = meant
    assert match_name(word, ENTRY_UNITS) is None
    assert unit in ("", *PARAMETERS[parameter].units)


def test_no_entry_means_two_things() -> None:
    """A reading and an action never share a name."""
    assert len(ENTRY_UNITS) == len(PARAMETERS) + len(ACTIONS)


@pytest.mark.parametrize("key", [*RECIPES, *DIRECT_STRENGTHS])
def test_every_strength_adds_something(key: str) -> None:
    """A solution stated by any one of the keys adds alkalinity, calcium or magnesium."""
    made = solution_from_strengths("it", {key: 10.0})
    added = (made.alkalinity_meq_per_ml, made.calcium_mmol_per_ml, made.magnesium_mmol_per_ml)
    assert max(added) > 0
    assert min(added) >= 0


@pytest.mark.parametrize("key", [*RECIPES, *DIRECT_STRENGTHS])
def test_no_strength_may_exceed_what_any_solution_holds(key: str) -> None:
    """The limits of recipes, labels and strengths agree: none lets in what another refuses."""
    made = solution_from_strengths("it", {key: most_stated(key)})
    for field, most in MOST_PER_ML.items():
        assert getattr(made, field) <= most * (1 + 1e-9)


def test_a_label_does_not_tell_what_a_solution_is_made_of() -> None:
    """Only a recipe does: a strength from a label is no hydroxide."""
    assert solution_from_strengths("it", {"raises_100_l_dkh_per_ml": 3.0}).dic_per_eq is None
    assert solution_from_strengths("it", {"calcium_hydroxide_g_per_l": 1.0}).dic_per_eq == 0


def test_a_label_for_gallons_is_one_for_litres() -> None:
    """100 US gallons are 378.5 L."""
    litres, gallons = (
        solution_from_strengths("it", {key: value}).alkalinity_meq_per_ml
        for key, value in (
            ("raises_100_l_dkh_per_ml", 0.378541),
            ("raises_100_us_gal_dkh_per_ml", 0.1),
        )
    )
    assert gallons == pytest.approx(litres, rel=1e-5)


def test_a_word_for_two_units_is_clear_for_each_parameter() -> None:
    """`ppm` means what a parameter accepts of it, so none may accept both."""
    for parameter in PARAMETERS.values():
        words = [word for word, unit in units.UNIT_ALIASES if unit in parameter.units]
        assert len(words) == len(set(words))


def test_a_volume_that_is_refused_is_told_in_the_unit_of_the_tank_file() -> None:
    """A keeper who states 100 gallons is not answered in litres."""
    tank = example_tank(water_volume_l=378.5411784, volume_unit="gal")
    refusal = ACTIONS["water_change"].refusal(2 * 378.5411784, tank)
    assert refusal == ("must be less than the tank's 100 gal of water", "200 gal")
