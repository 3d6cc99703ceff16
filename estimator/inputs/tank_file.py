"""Reads the tank file (TOML) into a `Tank`, or lists everything that is wrong with it."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TypeVar, Unpack

from estimator.inputs.dosing import (
    DIRECT_STRENGTHS,
    MOST_PER_ML,
    RECIPES,
    Solution,
    most_stated,
    solution_from_strengths,
)
from estimator.inputs.missing_unit import Unstated, misread, misread_salinity
from estimator.inputs.moment import DATE_ORDERS
from estimator.inputs.parameters import (
    ALKALINITY,
    ENTRY_WORDS,
    PARAMETERS,
    SALINITY,
    SAMPLED_PLACES,
    Parameter,
)
from estimator.inputs.tank import (
    CO2_LIMIT_G,
    MAGNESIUM_MEDIA,
    MEDIA,
    MEDIA_LIMIT_KG,
    Composition,
    Kit,
    Reactor,
    Tank,
    Target,
)
from estimator.inputs.text import (
    FaultList,
    match_name,
    match_unit,
    nearest_hint,
    read_source,
    unknown_unit,
)
from estimator.inputs.toml_table import LONGEST_NAME, Limits, TomlTable, read_toml
from estimator.units import VOLUME_UNITS

_Built = TypeVar("_Built")

TANK_LIMIT_BYTES = 200_000
ROOM_CO2_LIMIT_PPM = 40_000.0
"""Immediately dangerous to life or health (CDC/NIOSH 124-38-9)."""
TARGET_PARAMETERS = ("alkalinity", "calcium", "magnesium")

DEFAULT_NAME = "Tank"
DEFAULT_VOLUME_SD_PCT = 10.0
"""Rock, sand and sump make a stated volume this uncertain. Common practice, no source."""
DEFAULT_SALINITY_G_KG = 35.0
DEFAULT_TEMPERATURE_C = 25.5
DEFAULT_LIGHTS = ("10:00", "20:00")
"""These three defaults are common practice, no source."""

_CLOCK = re.compile(r"([01]\d|2[0-3]):([0-5]\d)", re.ASCII)
KIT_MINUTES_LEAST = 0.1
"""Six seconds: a probe is read no faster."""
KIT_MINUTES_LIMIT = 240.0
"""A test that takes longer than four hours is stated in another unit: a kit takes 1 to 30 minutes
(common practice, no source)."""
_STRENGTH_REMEDY = "no solution holds more; is it ten times too high, or stated for a litre?"
_STRENGTHS = {key: recipe.remedy for key, recipe in RECIPES.items()} | dict.fromkeys(
    DIRECT_STRENGTHS, _STRENGTH_REMEDY
)
"""The remedy for too large a value of each key that states a strength."""
# Sea water itself holds 0.002 meq/mL.
_STRENGTH_MIN = 1e-6
_FLOW_LIMIT_ML_H = 1e6
_VOLUME_KEYS = {"water_volume_l": "L", "water_volume_us_gal": "gal"}
_SALINITY_KEYS = {"salinity_g_kg": "g/kg", "salinity_sg": "SG", "salinity_ms_cm": "mS/cm"}
_SALINITY_LIMITS = (5.0, 50.0)
"""Of the tank as a whole, g/kg."""
# A size smaller than this part of a parameter's plausible range is a slip of the decimal point.
_SMALLEST_PART = 1e-5


def read_tank(path: Path, *, data: bytes | None = None) -> tuple[Tank, str]:
    """The tank that `path` describes and the sha256 of the file.

    Args:
        path: the TOML file.
        data: its bytes, where they are at hand already.

    Raises:
        InputError: with every fault found.
    """
    faults = FaultList(str(path))
    text, sha256 = read_source(path, data, TANK_LIMIT_BYTES, faults)
    tank = tank_of(read_toml(text, faults))
    _check_sample_names(tank, faults)
    faults.raise_if_any()
    return tank, sha256


def tank_of(document: TomlTable) -> Tank:
    """The tank that a document describes; what is wrong with it becomes faults of its tables."""
    water, log = document.table("tank"), document.table("log")
    targets = _targets(document.table("targets"))
    lights_on_h, lights_off_h = _lights(water)
    water_volume_l, volume_unit = _water_volume(water)
    salinity_g_kg, salinity_unit = _salinity(water)
    tank = Tank(
        name=_tank_name(water),
        water_volume_l=water_volume_l,
        water_volume_sd_fraction=_fraction(
            water, "water_volume_sd_pct", DEFAULT_VOLUME_SD_PCT, at_least=0.1, at_most=50
        ),
        salinity_g_kg=salinity_g_kg,
        temperature_c=water.number("temperature_c", DEFAULT_TEMPERATURE_C, at_least=10, at_most=40),
        lights_on_h=lights_on_h,
        lights_off_h=lights_off_h,
        targets=targets,
        kits=_each(document, "kits", _kit),
        solutions=_each(document, "solutions", _solution),
        waters=_each(document, "water", partial(_composition, "water", targets)),
        references=_each(document, "reference", partial(_composition, "reference", targets)),
        reactor=_reactor(document.table("reactor")) if document.has("reactor") else None,
        room_co2_ppm=water.optional("room_co2_ppm", at_least=300, at_most=ROOM_CO2_LIMIT_PPM),
        date_order=_choice(log, "dates", DATE_ORDERS) or "",
        volume_unit=volume_unit,
        salinity_unit=salinity_unit,
    )
    water.finish()
    log.finish()
    document.finish()
    return tank


def _each(
    document: TomlTable, key: str, build: Callable[[str, TomlTable], _Built]
) -> dict[str, _Built]:
    """What `build` makes of each table below `key`, by the name that the keeper chose."""
    built = {}
    for name, table in document.named_tables(key):
        built[name] = build(name, table)
        table.finish()
    return built


def _fraction(table: TomlTable, key: str, default_pct: float, **limits: Unpack[Limits]) -> float:
    return table.number(key, default_pct, **limits) / 100


def _tank_name(water: TomlTable) -> str:
    name = water.text("name").strip() or DEFAULT_NAME
    if len(name) > LONGEST_NAME:
        water.fault("name", f"may hold at most {LONGEST_NAME} characters; shorten it")
    return name


def _water_volume(water: TomlTable) -> tuple[float, str]:
    """The volume in litres, and the unit that it is stated in."""
    volumes_l, stated = [], [unit for key, unit in _VOLUME_KEYS.items() if key in water.values]
    for key, unit in _VOLUME_KEYS.items():
        value = water.number(key, math.nan, above=0.1, at_most=1e6)
        volumes_l.append(value * VOLUME_UNITS[unit])
    if len(stated) > 1:
        water.fault("water_volume_us_gal", "state the volume once: in litres or in US gallons")
    elif not stated:
        water.fault("water_volume_l", "is missing; add it (or water_volume_us_gal)")
    found = next((volume_l for volume_l in volumes_l if not math.isnan(volume_l)), math.nan)
    return found, next(iter(stated), "L")


def _salinity(water: TomlTable) -> tuple[float, str]:
    """The stated salinity in g/kg by whichever key states it, and its unit; else the usual one."""
    found, stated = DEFAULT_SALINITY_G_KG, []
    for key, unit in _SALINITY_KEYS.items():
        usual = DEFAULT_SALINITY_G_KG if unit == SALINITY.default_unit else math.nan
        low, high = (SALINITY.from_canonical(limit, unit) for limit in _SALINITY_LIMITS)
        value = water.number(key, usual, at_least=round(low, 3), at_most=round(high, 3))
        if key in water.values:
            stated.append(key)
            found = found if math.isnan(value) else SALINITY.to_canonical(value, unit)
    if len(stated) > 1:
        water.fault(stated[1], f"state the salinity once: {stated[0]} does already")
    return found, _SALINITY_KEYS[stated[0]] if stated else SALINITY.default_unit


def _lights(water: TomlTable) -> tuple[float, float]:
    """Hours of lights on and off; off before on means that the lights cross midnight."""
    on_h, off_h = (
        _clock_h(water, key, default)
        for key, default in zip(("lights_on", "lights_off"), DEFAULT_LIGHTS, strict=True)
    )
    if on_h == off_h:
        water.fault("lights_off", "must differ from lights_on")
    return on_h, off_h


def _clock_h(water: TomlTable, key: str, default: str) -> float:
    """A time of day such as "10:00", in hours after midnight."""
    match = _CLOCK.fullmatch(water.text(key, default))
    if match is None:
        water.fault(key, 'write a time of day from "00:00" to "23:59"')
        return math.nan
    return int(match[1]) + int(match[2]) / 60


def _targets(table: TomlTable) -> dict[str, Target]:
    targets = {
        name: _target(PARAMETERS[name], table.table(name))
        for name in TARGET_PARAMETERS
        if table.has(name) or name == "alkalinity"
    }
    table.finish()
    return targets


def _target(parameter: Parameter, table: TomlTable) -> Target:
    unit = _unit(parameter, table, "unit", parameter.default_unit)
    low = table.required("low", above=0)
    high = table.required("high", above=0)
    target = Target(
        low=parameter.to_canonical(low, unit),
        high=parameter.to_canonical(high, unit),
        unit=unit,
        max_rise_per_day=_size(parameter, unit, table, "max_rise_per_day"),
    )
    if low >= high:
        table.fault("low", f"must be lower than high, which is {high:g}")
    table.finish()
    for key, level in (("low", target.low), ("high", target.high)):
        if level < parameter.plausible[0] or level > parameter.plausible[1]:
            accepted = parameter.range_text(parameter.plausible, unit)
            table.fault(key, f"a band for {parameter.name} lies within {accepted}; check the unit")
    return target


def _size(parameter: Parameter | None, unit: str, table: TomlTable, key: str) -> float | None:
    """The size at `key`, canonical: a step, a spread or a rise; None where it is unclear."""
    value = table.optional(key, above=0)
    if parameter is None or value is None:
        return None
    one = parameter.unit_size(unit)
    largest = (parameter.plausible[1] - parameter.plausible[0]) / one
    if not _SMALLEST_PART * largest <= value <= largest:
        accepted = f"{_SMALLEST_PART * largest:.1g} to {largest:.4g} {unit}"
        table.fault(key, f"must be {accepted}; check the unit")
    return value * one


def _unit(parameter: Parameter, table: TomlTable, key: str, default: str = "") -> str:
    """The unit stated at `key`, by its own name; `default` "" means that it must be there.

    Where the unit is at fault, one of the accepted units stands in.
    """
    text = table.text(key, default) if default else table.required_text(key)
    unit = match_unit(text, parameter.units)
    if unit is None and isinstance(table.values.get(key), str):
        table.fault(key, unknown_unit(text, parameter.name, parameter.units))
    return unit or default or next(iter(parameter.units))


def _kit(name: str, table: TomlTable) -> Kit:
    stated = table.required_text("parameter")
    word = match_name(stated, ENTRY_WORDS)
    parameter = PARAMETERS.get(
        ENTRY_WORDS[word][0] if word else match_name(stated, PARAMETERS) or ""
    )
    if parameter is None and stated:
        table.fault("parameter", f"unknown parameter; {nearest_hint(stated, PARAMETERS)}")
    unit = _unit(parameter, table, "unit") if parameter else table.required_text("unit")
    if not table.has("step"):
        table.fault("step", "is missing; add it")
    step = _size(parameter, unit, table, "step")
    repeatability = _size(parameter, unit, table, "repeatability")
    calibration_sd_pct = table.optional("calibration_sd_pct", at_least=0, at_most=50)
    return Kit(
        name=name,
        parameter=parameter.name if parameter else "",
        unit=unit,
        step=math.nan if step is None else step,
        repeatability=repeatability,
        calibration_sd=None if calibration_sd_pct is None else calibration_sd_pct / 100,
        minutes=table.optional(
            "minutes",
            at_least=KIT_MINUTES_LEAST,
            at_most=KIT_MINUTES_LIMIT,
            remedy="state the minutes that one test takes",
        ),
        price=table.optional("price", at_least=0, at_most=10_000),
    )


def _solution(name: str, table: TomlTable) -> Solution:
    stated = {
        key: table.optional(key, at_least=0, at_most=most_stated(key), remedy=remedy)
        for key, remedy in _STRENGTHS.items()
        if table.has(key)
    }
    strengths = {key: value for key, value in stated.items() if value is not None}
    all_understood = len(strengths) == len(table.values)
    if all_understood and not any(value > _STRENGTH_MIN for value in strengths.values()):
        keys = ", ".join(_STRENGTHS)
        table.fault("", f"adds nothing; state at least one strength above zero: {keys}")
    solution = solution_from_strengths(name, strengths)
    for key, most in MOST_PER_ML.items():
        if len(strengths) > 1 and getattr(solution, key) > most:
            rule = f"its keys add up to {getattr(solution, key):.3g} {key}, and no solution holds"
            table.fault("", f"{rule} more than {most:g}; is one of them too high, or stated twice?")
    return solution


def _composition(
    sample: str, targets: Mapping[str, Target], name: str, table: TomlTable
) -> Composition:
    """One of the waters or of the references (`sample`)."""
    levels = {}
    for parameter in PARAMETERS.values():
        if sample in parameter.samples:
            target = targets.get(parameter.name)
            unit = parameter.stated_unit(target.unit if target else "")
            level = _level(sample, parameter, table, unit)
            if level is not None:
                levels[parameter.name] = level
    if sample == "reference" and not table.values:
        table.fault("", "a reference solution needs at least one stated value")
    return Composition(name=name, levels=levels)


def _level(sample: str, parameter: Parameter, table: TomlTable, default_unit: str) -> float | None:
    """The stated level of one parameter, canonical; None where the table states none."""
    value = table.optional(parameter.name, at_least=0)
    unit_key = f"{parameter.name}_unit"
    if not table.has(unit_key) and value is None:
        return None
    unit = _unit(parameter, table, unit_key, default_unit)
    if value is None:
        return None
    level = parameter.to_canonical(value, unit)
    if unit_key not in table.values:
        rule = ""
        if parameter is ALKALINITY:
            rule = misread(Unstated(value, unit, "the unit of the alkalinity band", sample))
        elif parameter is SALINITY:
            rule = misread_salinity(value, "the usual unit")
        if rule:
            table.fault(parameter.name, f"{rule} as {unit_key}")
            return None
    if not parameter.is_possible(level):
        accepted = parameter.range_text(parameter.possible, unit)
        table.fault(parameter.name, f"must be {accepted}; check the unit")
    return level


def _reactor(table: TomlTable) -> Reactor:
    flow_min_ml_h = table.number("flow_min_ml_h", 0.0, at_least=0)
    flow_max_ml_h = table.required("flow_max_ml_h", above=0, at_most=_FLOW_LIMIT_ML_H)
    flow_step_ml_h = table.number("flow_step_ml_h", 1.0, at_least=0.001)
    chambers = table.number("chambers", 1.0)
    reactor = Reactor(
        flow_min_ml_h=flow_min_ml_h,
        flow_max_ml_h=flow_max_ml_h,
        flow_step_ml_h=flow_step_ml_h,
        chamber_ph=table.optional("chamber_ph", at_least=5.5, at_most=8),
        chambers=int(chambers),
        media_kg=table.optional(
            "media_kg", at_least=0.01, at_most=MEDIA_LIMIT_KG, remedy="state it in kg"
        ),
        magnesium_media_fraction=_fraction(
            table, "magnesium_media_pct", 0.0, at_least=0, at_most=100
        ),
        co2_charge_g=table.optional(
            "co2_charge_g",
            at_least=1,
            at_most=CO2_LIMIT_G,
            remedy="state the grams of CO2 in a full cylinder",
        ),
        media=_choice(table, "media", MEDIA) or MEDIA[0],
        magnesium_media=_choice(table, "magnesium_media", MAGNESIUM_MEDIA),
    )
    _check_magnesium_media(reactor, table)
    if chambers not in (1.0, 2.0, 3.0):
        table.fault("chambers", "must be 1, 2 or 3")
    largest = f"flow_max_ml_h, which is {flow_max_ml_h:g}"
    if flow_min_ml_h >= flow_max_ml_h:
        table.fault("flow_min_ml_h", f"must be less than {largest}")
    if flow_step_ml_h > flow_max_ml_h:
        table.fault("flow_step_ml_h", f"must not exceed {largest}")
    table.finish()
    return reactor


def _choice(table: TomlTable, key: str, accepted: Sequence[str]) -> str | None:
    """One of the accepted words; None where the table states none, or none of them."""
    if not table.has(key):
        return None
    text = table.text(key, accepted[0])
    choice = match_name(text, accepted)
    if choice is None:
        table.fault(key, f"unknown kind; {nearest_hint(text, accepted)}")
    return choice


def _check_magnesium_media(reactor: Reactor, table: TomlTable) -> None:
    """Kind and percentage must agree; how much hydroxide dissolves follows from its percentage."""
    share_pct = 100 * reactor.magnesium_media_fraction
    if reactor.magnesium_media == "none" and share_pct > 0:
        rule = (
            f"contradicts magnesium_media_pct, which is {share_pct:g}; name the kind, or set "
            "magnesium_media_pct to 0"
        )
        table.fault("magnesium_media", rule)
    if reactor.magnesium_media == "hydroxide" and not table.has("magnesium_media_pct"):
        table.fault("magnesium_media_pct", "is missing; state it for magnesium_media = hydroxide")


def _check_sample_names(tank: Tank, faults: FaultList) -> None:
    """Waters and references share the log's `of` column with the places to sample."""
    for kind, names in (("water", tank.waters), ("reference", tank.references)):
        for name in names:
            if match_name(name, SAMPLED_PLACES):
                rule = f"the log means the {name} itself by that word; choose another name"
                faults.add(rule, name, column=f"{kind}.{name}")
    for name in tank.references:
        if name in tank.waters:
            rule = "a water has the same name, so the log could not tell them apart; rename one"
            faults.add(rule, name, column=f"reference.{name}")
