"""The hint for a misspelled key never changes what is said."""

from __future__ import annotations

import pytest

from estimator.inputs.asked import asked_keys
from estimator.inputs.key_hint import key_hint

TANK = [key.name for key in asked_keys().values() if key.table == "tank"]
REACTOR = [key.name for key in asked_keys().values() if key.table == "reactor"]
SOLUTION = [key.name for key in asked_keys().values() if key.table == "solutions.NAME"]


@pytest.mark.parametrize(
    ("key", "known", "meant"),
    [
        ("water_volume_gal", TANK, "water_volume_us_gal"),
        ("water_volume_gallons", TANK, "water_volume_us_gal"),
        ("watervolume_l", TANK, ""),
        ("water_volumn_l", TANK, "water_volume_l"),
        ("water_volume_litres", TANK, "water_volume_l"),
        ("water_volume", TANK, "water_volume_l or water_volume_us_gal"),
        ("water_volum", TANK, "water_volume_l or water_volume_us_gal"),
        ("water_volume_sd_percent", TANK, "water_volume_sd_pct"),
        ("temperature_f", TANK, ""),
        ("temperatur_c", TANK, "temperature_c"),
        ("light_on", TANK, "lights_on"),
        ("Lights_Off", TANK, "lights_off"),
        ("flow_max_l_h", REACTOR, ""),
        ("flow_max_ml_min", REACTOR, ""),
        ("flow_maxi_ml_h", REACTOR, "flow_max_ml_h"),
        ("media_g", REACTOR, ""),
        ("media_lb", REACTOR, ""),
        ("co2_charge_kg", REACTOR, ""),
        ("potassium_bicarbonate_g_per_l", SOLUTION, ""),
        ("magnesium_sulfate_heptahydrate_g_per_l", SOLUTION, ""),
        ("calcium_chloride_g_per_l", SOLUTION, ""),
        ("sodium_carbonat_g_per_l", SOLUTION, "sodium_carbonate_g_per_l"),
        ("sodium_carbonate_mg_per_l", SOLUTION, ""),
        ("raises_100_l_dhk_per_ml", SOLUTION, ""),
        ("x" * 5000, TANK, ""),
        ("", TANK, ""),
    ],
)
def test_only_a_key_of_the_same_meaning_is_offered(key, known, meant):
    """Another unit, another salt or another hydrate is no misspelling; all keys are listed."""
    hint = key_hint(key, known)
    assert hint.startswith(f"did you mean {meant}? Accepted: " if meant else "Accepted: ")
    assert known[0] in hint


@pytest.mark.parametrize("known", [TANK, REACTOR, SOLUTION])
def test_a_slip_of_one_letter_is_never_sent_to_another_unit(known):
    """Whatever letter of the name is lost, what is offered has the unit that was written."""
    units = ("_l", "_gal", "_pct", "_c", "_ppm", "_ml_h", "_kg", "_g", "_g_per_l", "_per_ml", "_kg")
    for name in known:
        for place in range(len(name)):
            hint = key_hint(name[:place] + name[place + 1 :], known)
            offered = hint.partition("did you mean ")[2].partition("?")[0].split(" or ")
            unit = next((unit for unit in sorted(units, key=len)[::-1] if name.endswith(unit)), "")
            if place < len(name) - len(unit) - 1 and offered != [""]:
                assert all(one.endswith(unit) for one in offered), (name, place, offered)
