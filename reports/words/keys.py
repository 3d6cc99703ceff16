"""What each key of the tank file and each entry of the log means: for the reference in the README
and for the comments of a new tank file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from estimator.inputs.asked import NAME
from estimator.inputs.moment import DATE_ORDERS
from estimator.inputs.parameters import PARAMETERS, Parameter
from estimator.inputs.tank import MAGNESIUM_MEDIA, MEDIA, USUAL_MINUTES
from estimator.inputs.tank_file import TARGET_PARAMETERS
from reports.wording import listed


@dataclass(frozen=True)
class KeyWords:
    """In words: the unit of a key ("" where it has none), and what it is."""

    unit: str
    about: str


TABLES: Mapping[str, str] = {
    "tank": "the tank: its water and its light",
    "targets.alkalinity": "the band that alkalinity is to stay in",
    "targets.calcium": "the band for calcium; may be left out",
    "targets.magnesium": "the band for magnesium; may be left out",
    f"kits.{NAME}": "one table for each test kit; NAME is yours, the log's kit column holds it",
    f"solutions.{NAME}": "one table for each solution that is dosed; at least one of these keys. "
    "Several recipes in one solution add up",
    f"water.{NAME}": "freshly mixed salt water for water changes; what is not known is left out",
    f"reference.{NAME}": "a solution of known value, for checking a kit; at least one value",
    "log": "how the log is written; may be left out",
    "reactor": "the calcium reactor and its effluent pump; the whole table is left out where there "
    "is none",
}
"""Every table of the tank file and what it holds."""

_SALTS = {
    "sodium_carbonate_g_per_l": "sodium carbonate (soda ash), without water of crystallisation",
    "sodium_bicarbonate_g_per_l": "sodium bicarbonate (baking soda)",
    "calcium_hydroxide_g_per_l": "calcium hydroxide (limewater); 1.59 for clear limewater",
    "calcium_chloride_dihydrate_g_per_l": "calcium chloride dihydrate",
    "magnesium_chloride_hexahydrate_g_per_l": "magnesium chloride hexahydrate",
}
_STRENGTHS = {
    "alkalinity_meq_per_ml": ("meq/mL", "alkalinity that one mL adds"),
    "calcium_mmol_per_ml": ("mmol/mL", "calcium that one mL adds"),
    "magnesium_mmol_per_ml": ("mmol/mL", "magnesium that one mL adds"),
    "raises_100_l_dkh_per_ml": ("dKH", "as the label has it: 1 mL raises 100 L of water by this"),
    "raises_100_us_gal_dkh_per_ml": (
        "dKH",
        "as the label has it: 1 mL raises 100 US gallons of water by this",
    ),
}


def _units(parameter: Parameter) -> str:
    return listed(list(parameter.units), "or")


def _level_keys(sample: str) -> dict[str, KeyWords]:
    words = {}
    for name, parameter in PARAMETERS.items():
        if sample in parameter.samples:
            path = f"{sample}.{NAME}.{name}"
            words[path] = KeyWords("", f"its {name}, in the unit below")
            about = f"{_units(parameter)}; without it the unit of the band, else the usual one"
            words[f"{path}_unit"] = KeyWords("", about)
    return words


def _target_keys(name: str) -> dict[str, KeyWords]:
    path, units = f"targets.{name}", _units(PARAMETERS[name])
    return {
        f"{path}.low": KeyWords("", f"lowest {name} that you want, in the unit below"),
        f"{path}.high": KeyWords("", "highest"),
        f"{path}.unit": KeyWords("", f"{units}; the report is in this unit"),
        f"{path}.max_rise_per_day": KeyWords(
            "", "how fast it may be raised in a day, at most, in the unit above"
        ),
    }


KEYS: Mapping[str, KeyWords] = {
    "tank.name": KeyWords("", "stands above the report"),
    "tank.water_volume_l": KeyWords(
        "L", "water in the whole system, less rock and sand; this or water_volume_us_gal"
    ),
    "tank.water_volume_us_gal": KeyWords("US gallons", "in place of water_volume_l"),
    "tank.water_volume_sd_pct": KeyWords("%", "how far the volume may be off, give or take"),
    "tank.salinity_g_kg": KeyWords("g/kg", "salinity that you hold (ppt and psu are the same)"),
    "tank.salinity_sg": KeyWords("SG", "in place of salinity_g_kg: specific gravity at 25 °C"),
    "tank.salinity_ms_cm": KeyWords(
        "mS/cm", "in place of salinity_g_kg: conductivity at 25 °C, or brought to it by the meter"
    ),
    "tank.temperature_c": KeyWords("C", "temperature that you hold"),
    "tank.lights_on": KeyWords("", "time of day, 24 hours"),
    "tank.lights_off": KeyWords("", "time of day; may lie after midnight"),
    "tank.room_co2_ppm": KeyWords("ppm", "CO2 of the room's air, where you have measured it"),
    **{path: words for name in TARGET_PARAMETERS for path, words in _target_keys(name).items()},
    f"kits.{NAME}.parameter": KeyWords("", f"what it tests: {listed(list(PARAMETERS), 'or')}"),
    f"kits.{NAME}.unit": KeyWords("", "unit in which you read it"),
    f"kits.{NAME}.step": KeyWords("", "smallest step that it shows, in its unit"),
    f"kits.{NAME}.repeatability": KeyWords(
        "", "how far two tests of the same water differ, give or take; learned without it"
    ),
    f"kits.{NAME}.calibration_sd_pct": KeyWords(
        "%", "how far the whole kit may be off, give or take; usual without it"
    ),
    f"kits.{NAME}.minutes": KeyWords(
        "minutes", f"that one test takes; {USUAL_MINUTES:g} without it"
    ),
    f"kits.{NAME}.price": KeyWords("", "what one test costs, in your money"),
    **{
        f"solutions.{NAME}.{key}": KeyWords("g in 1 L of solution", salt)
        for key, salt in _SALTS.items()
    },
    **{f"solutions.{NAME}.{key}": KeyWords(*words) for key, words in _STRENGTHS.items()},
    **_level_keys("water"),
    **_level_keys("reference"),
    "log.dates": KeyWords(
        "",
        f"how dates are read that do not begin with the year: {listed(list(DATE_ORDERS), 'or')}; "
        "without it as the log itself shows",
    ),
    "reactor.flow_min_ml_h": KeyWords("mL/h", "smallest flow that the pump can be set to, but off"),
    "reactor.flow_max_ml_h": KeyWords("mL/h", "largest flow of the pump (60 mL/min are 3600)"),
    "reactor.flow_step_ml_h": KeyWords("mL/h", "smallest change that the pump can be given"),
    "reactor.chambers": KeyWords("", "chambers that the water passes one after the other, 1 to 3"),
    "reactor.chamber_ph": KeyWords("NBS", "pH that is held in the first chamber"),
    "reactor.media_kg": KeyWords("kg", "medium in all chambers when full"),
    "reactor.magnesium_media_pct": KeyWords("% by volume", "of the media that is for magnesium"),
    "reactor.co2_charge_g": KeyWords("g", "CO2 in a full cylinder"),
    "reactor.media": KeyWords(
        "", f"the main medium: {listed(list(MEDIA), 'or')}; {MEDIA[0]} without it"
    ),
    "reactor.magnesium_media": KeyWords(
        "", f"what is mixed in for its magnesium: {listed(list(MAGNESIUM_MEDIA), 'or')}"
    ),
}
"""Every key of the tank file, by its dotted path."""

ENTRIES: Mapping[str, str] = {
    "alkalinity": "a titration",
    "calcium": "a titration",
    "magnesium": "a titration",
    "nitrate": "a reading; two or more show what its change does to alkalinity",
    "phosphate": "a reading; kept for the record",
    "salinity": "a reading, SG and mS/cm at 25 °C; readings of the tank are brought to its stated "
    "salinity",
    "temperature": "a reading; kept for the record",
    "ph": "a probe's reading",
    "flow": "from now on the effluent pump is set to this; 0 is off",
    "ph_setting": "from now on the chamber is held at this pH",
    "dose": "one addition; with a day in the column until, one each day to that day",
    "dose_rate": "from now on, spread over the day; 0 ends it",
    "water_change": "water renewed at that moment",
    "stock_change": "animals added, removed or lost: the uptake may step here",
    "media_change": "the reactor's media renewed: the effluent may step here",
    "co2_change": "a full CO2 cylinder fitted",
    "new_bottle": "a new lot of reagent: the kit's calibration may step here",
}
"""Every entry of the log."""

COLUMNS: Mapping[str, str] = {
    "time": "2026-03-02 18:30 or 6:30 pm, or 2026-03-02 alone, which means noon; the tank's own "
    "clock",
    "entry": "what was read or done: one of the entries below",
    "of": "what was sampled or acted on; blank is the tank, or the only thing that it can be",
    "value": "one plain number; blank where the entry has none",
    "unit": "blank is the kit's or the usual one",
    "kit": "which kit; blank where there is only one for it",
    "note": "anything",
    "until": "2026-03-09: the dose is repeated each day at the row's time, to that day",
}
"""Every column of the log's long form."""
