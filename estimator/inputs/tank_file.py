"""Reads the tank file (TOML) into a `Tank`, or lists everything that is wrong with it."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import Any, TypeVar

from estimator.inputs.dosing import DIRECT_STRENGTHS, RECIPES, Solution, solution_from_strengths
from estimator.inputs.parameters import PARAMETERS, Parameter
from estimator.inputs.tank import Composition, Kit, Reactor, Tank, Target
from estimator.inputs.text import (
    FaultList,
    Source,
    fallback_unit,
    level_is_possible,
    match_name,
    match_unit,
    nearest_hint,
    range_text,
    read_source,
    unit_size,
)
from estimator.units import LITRES_PER_US_GALLON

_Built = TypeVar("_Built")

TANK_LIMIT_BYTES = 200_000
LONGEST_LINE = 1000
"""The standard library's TOML reader takes time that grows with the square of a dotted key."""
LONGEST_NAME = 100
MOST_NAMES = 100
"""Kits, solutions, waters or references in one file."""
MEDIA_LIMIT_KG = 10_000.0
ROOM_CO2_LIMIT_PPM = 40_000.0
"""Immediately dangerous to life or health (CDC/NIOSH 124-38-9)."""
TARGET_PARAMETERS = ("alkalinity", "calcium", "magnesium")
RESERVED_NAMES = ("tank", "effluent", "chamber")
"""Places to sample; a water or reference of that name could not be told apart in the log."""

DEFAULT_NAME = "Tank"
DEFAULT_VOLUME_SD_PCT = 10.0
"""Rock, sand and sump make a stated volume this uncertain. Common practice, no source."""
DEFAULT_SALINITY_G_KG = 35.0
DEFAULT_TEMPERATURE_C = 25.5
DEFAULT_LIGHTS = ("10:00", "20:00")
"""These three defaults are common practice, no source."""

_CLOCK = re.compile(r"([01]\d|2[0-3]):([0-5]\d)", re.ASCII)
# Strong 50 % lye holds 19 eq/L, so a larger strength was stated per litre instead of per mL.
_STRENGTH_MAX_PER_ML = 20.0
_RECIPE_MAX_G_PER_L = 2000.0
# Sea water itself holds 0.002 meq/mL.
_STRENGTH_MIN = 1e-6
_FLOW_LIMIT_ML_H = 1e6
# A size smaller than this part of a parameter's plausible range is a slip of the decimal point.
_SMALLEST_PART = 1e-5
_TOML_PLACE = re.compile(r"\(at line (\d+), column \d+\)")


def read_tank(path: Path, *, data: bytes | None = None) -> tuple[Tank, str]:
    """The tank that `path` describes and the sha256 of the file.

    Args:
        path: the TOML file.
        data: its bytes, where they are at hand already.

    Raises:
        InputError: with every fault found.
    """
    source = read_source(path, data, TANK_LIMIT_BYTES)
    faults = FaultList(source.name)
    document = _parse_toml(source, faults)
    faults.raise_if_any()
    tank = _tank(_Table(document, "", faults), faults)
    faults.raise_if_any()
    return tank, source.sha256


def _parse_toml(source: Source, faults: FaultList) -> dict[str, Any]:
    for row, line in enumerate(source.text.split("\n"), start=1):
        if len(line) > LONGEST_LINE:
            rule = f"a line may hold at most {LONGEST_LINE} characters; break or shorten it"
            faults.add(rule, f"{len(line)} characters", row)
            return {}
    try:
        return tomllib.loads(source.text)
    except ValueError as error:
        place = _TOML_PLACE.search(str(error))
        faults.add(
            f"is not valid TOML: {error}; mend that place",
            row=int(place[1]) if place else None,
        )
    except RecursionError:
        faults.add("is not valid TOML: lists or tables are nested too deep; remove the nesting")
    return {}


class _Table:
    """One TOML table: hands out checked values and names every key nobody asked for.

    A value that breaks a rule becomes a fault and a harmless stand-in, so that the rest of the
    file is still checked.
    """

    def __init__(self, values: Mapping[str, Any], path: str, faults: FaultList) -> None:
        self.values = values
        self.path = path
        self._faults = faults
        self._known: list[str] = []

    def column(self, key: str) -> str:
        """The dotted key, as a fault names it."""
        return f"{self.path}.{key}" if self.path else key

    def fault(self, key: str, rule: str) -> None:
        """Note that the value at `key` breaks `rule`; `key` "" means the table itself."""
        column = self.column(key) if key else self.path
        self._faults.add(rule, found=_shown(self.values.get(key)), column=column)

    def has(self, key: str) -> bool:
        """Whether `key` is present; it counts as known from now on."""
        if key not in self._known:
            self._known.append(key)
        return key in self.values

    def number(
        self,
        key: str,
        default: float | None = None,
        *,
        at_least: float = -math.inf,
        above: float = -math.inf,
        at_most: float = math.inf,
    ) -> float | None:
        """A finite number within the limits, or `default` where the key is absent."""
        if not self.has(key):
            return default
        value = _finite(self.values[key])
        if value is None:
            self.fault(key, "write a plain number, without quotation marks")
        elif not (at_least <= value <= at_most and value > above):
            self.fault(key, _limits_text(at_least, above, at_most))
        else:
            return value
        return default

    def required_number(self, key: str, **limits: float) -> float:
        """Like `number`, for a key that must be there; NaN stands in where it is not."""
        if not self.has(key):
            self.fault(key, "is missing; add it")
        value = self.number(key, **limits)
        return math.nan if value is None else value

    def text(self, key: str, default: str = "") -> str:
        """A string, or `default` where the key is absent."""
        if not self.has(key):
            return default
        value = self.values[key]
        if isinstance(value, str):
            return value
        self.fault(key, "write text between quotation marks")
        return default

    def required_text(self, key: str) -> str:
        """Like `text`, for a key that must be there; "" stands in where it is not."""
        if not self.has(key):
            self.fault(key, "is missing; add it")
        return self.text(key)

    def clock_h(self, key: str, default: str) -> float:
        """A time of day such as "10:00", in hours after midnight."""
        match = _CLOCK.fullmatch(self.text(key, default))
        if match is None:
            self.fault(key, 'write a time of day from "00:00" to "23:59"')
            return math.nan
        return int(match[1]) + int(match[2]) / 60

    def table(self, key: str) -> _Table:
        """The table at `key`; an absent one is empty."""
        value = self.values.get(key, {}) if self.has(key) else {}
        if not isinstance(value, dict):
            self.fault(key, f"must be a table, written [{self.column(key)}]")
            value = {}
        return _Table(value, self.column(key), self._faults)

    def named_tables(self, key: str) -> list[tuple[str, _Table]]:
        """Every (name, table) below `key`, for tables whose names the keeper chooses."""
        parent = self.table(key)
        if len(parent.values) > MOST_NAMES:
            rule = f"there may be at most {MOST_NAMES}; remove those that the log does not use"
            self._faults.add(rule, f"{len(parent.values)} tables", column=parent.path)
            return []
        names = [name for name in parent.values if parent.name_is_usable(name)]
        return [(name, parent.table(name)) for name in names]

    def name_is_usable(self, name: str) -> bool:
        """Whether a log can write this chosen name; a fault is noted where it cannot."""
        if len(name) > LONGEST_NAME:
            self.fault(name, f"a name may hold at most {LONGEST_NAME} characters; shorten it")
        elif not name.strip() or name != name.strip():
            self.fault(name, "a name may not be blank nor begin or end with a blank")
        else:
            return True
        return False

    def finish(self, only: Collection[str] = ()) -> None:
        """Note a fault for each key that nobody asked for. `only` adds known keys."""
        known = [*self._known, *only]
        for key in self.values:
            if key not in known:
                self._faults.add(
                    f"unknown key; {nearest_hint(key, known)}",
                    found=key,
                    column=self.column(key),
                )


def _shown(value: object) -> str:
    """A TOML value as a message shows it."""
    if value is None:
        return ""
    if isinstance(value, dict | list):
        return "a table" if isinstance(value, dict) else "a list"
    if isinstance(value, bool):
        return str(value).lower()
    try:
        return str(value)
    except ValueError:  # an integer with thousands of digits
        return "a very long number"


def _finite(value: object) -> float | None:
    """`value` as a float where it is a finite TOML number (a boolean is none)."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def _limits_text(at_least: float, above: float, at_most: float) -> str:
    low = f"more than {above:g}" if above > -math.inf else f"at least {at_least:g}"
    if at_most == math.inf:
        return f"must be {low}"
    return f"must be {low} and at most {at_most:.9g}"


def _tank(document: _Table, faults: FaultList) -> Tank:
    water = document.table("tank")
    targets = _targets(document.table("targets"))
    lights_on_h, lights_off_h = _lights(water)
    tank = Tank(
        name=_tank_name(water),
        water_volume_l=_water_volume_l(water),
        water_volume_sd_fraction=_fraction(
            water.number("water_volume_sd_pct", DEFAULT_VOLUME_SD_PCT, above=0, at_most=50)
        ),
        salinity_g_kg=_or_nan(
            water.number("salinity_g_kg", DEFAULT_SALINITY_G_KG, at_least=5, at_most=50)
        ),
        temperature_c=_or_nan(
            water.number("temperature_c", DEFAULT_TEMPERATURE_C, at_least=10, at_most=40)
        ),
        lights_on_h=lights_on_h,
        lights_off_h=lights_off_h,
        targets=targets,
        kits=_each(document, "kits", _kit),
        solutions=_each(document, "solutions", _solution),
        waters=_each(document, "water", _compositions("water", targets)),
        references=_each(document, "reference", _compositions("reference", targets)),
        reactor=_reactor(document.table("reactor")) if document.has("reactor") else None,
        room_co2_ppm=water.number("room_co2_ppm", at_least=300, at_most=ROOM_CO2_LIMIT_PPM),
    )
    water.finish()
    document.finish()
    _check_sample_names(tank, faults)
    return tank


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value


def _fraction(per_cent: float | None) -> float:
    return _or_nan(per_cent) / 100


def _tank_name(water: _Table) -> str:
    name = water.text("name").strip() or DEFAULT_NAME
    if len(name) > LONGEST_NAME:
        water.fault("name", f"may hold at most {LONGEST_NAME} characters; shorten it")
    return name


def _water_volume_l(water: _Table) -> float:
    litres = water.number("water_volume_l", above=0.1, at_most=1e6)
    gallons = water.number("water_volume_us_gal", above=0.1, at_most=1e6)
    if water.has("water_volume_l") and water.has("water_volume_us_gal"):
        water.fault("water_volume_us_gal", "state the volume once: in litres or in US gallons")
    elif not water.has("water_volume_l") and not water.has("water_volume_us_gal"):
        water.fault("water_volume_l", "is missing; add it (or water_volume_us_gal)")
    if litres is None and gallons is not None:
        return gallons * LITRES_PER_US_GALLON
    return _or_nan(litres)


def _lights(water: _Table) -> tuple[float, float]:
    """Hours of lights on and off; off before on means that the lights cross midnight."""
    on_h = water.clock_h("lights_on", DEFAULT_LIGHTS[0])
    off_h = water.clock_h("lights_off", DEFAULT_LIGHTS[1])
    if on_h == off_h:
        water.fault("lights_off", "must differ from lights_on")
    return on_h, off_h


def _targets(table: _Table) -> dict[str, Target]:
    targets = {}
    for name in TARGET_PARAMETERS:
        required = name == "alkalinity"
        if table.has(name) or required:
            targets[name] = _target(PARAMETERS[name], table.table(name))
    table.finish()
    return targets


def _target(parameter: Parameter, table: _Table) -> Target:
    unit = _unit(parameter, table, "unit", parameter.default_unit)
    low = table.required_number("low", above=0)
    high = table.required_number("high", above=0)
    rise = _size(parameter, unit, table, "max_rise_per_day")
    if low >= high:
        table.fault("low", f"must be lower than high, which is {high:g}")
    table.finish()
    target = Target(
        low=parameter.to_canonical(low, unit),
        high=parameter.to_canonical(high, unit),
        unit=unit,
        max_rise_per_day=rise,
    )
    for key, level in (("low", target.low), ("high", target.high)):
        if level < parameter.plausible[0] or level > parameter.plausible[1]:
            accepted = range_text(parameter, parameter.plausible, unit)
            table.fault(key, f"a band for {parameter.name} lies within {accepted}; check the unit")
    return target


def _size(
    parameter: Parameter | None, unit: str, table: _Table, key: str, *, required: bool = False
) -> float | None:
    """The size at `key`, canonical: a step, a spread or a rise; None where it is unclear."""
    value = table.required_number(key, above=0) if required else table.number(key, above=0)
    if parameter is None or value is None or math.isnan(value):
        return None
    one = unit_size(parameter, unit)
    largest = (parameter.plausible[1] - parameter.plausible[0]) / one
    if not _SMALLEST_PART * largest <= value <= largest:
        accepted = f"{_SMALLEST_PART * largest:.1g} to {largest:.4g} {unit}"
        table.fault(key, f"must be {accepted}; check the unit")
    return value * one


def _unit(parameter: Parameter, table: _Table, key: str, default: str = "") -> str:
    """The unit stated at `key`, by its own name; `default` "" means that it must be there.

    Where the unit is at fault, one of the accepted units stands in.
    """
    stand_in = default or next(iter(parameter.units))
    before = table.values.get(key)
    text = table.text(key, default) if default else table.required_text(key)
    unit = match_unit(text, parameter.units)
    if unit is None and isinstance(before, str):
        table.fault(
            key, f"unknown unit for {parameter.name}; {nearest_hint(text, parameter.units)}"
        )
    return unit or stand_in


def _each(document: _Table, key: str, build: Callable[[str, _Table], _Built]) -> dict[str, _Built]:
    return {name: build(name, table) for name, table in document.named_tables(key)}


def _kit(name: str, table: _Table) -> Kit:
    stated = table.required_text("parameter")
    parameter = PARAMETERS.get(match_name(stated, PARAMETERS) or "")
    if parameter is None and stated:
        table.fault("parameter", f"unknown parameter; {nearest_hint(stated, PARAMETERS)}")
    unit = _unit(parameter, table, "unit") if parameter else table.required_text("unit")
    step = _size(parameter, unit, table, "step", required=True)
    repeatability = _size(parameter, unit, table, "repeatability")
    calibration_sd_pct = table.number("calibration_sd_pct", at_least=0, at_most=50)
    minutes = table.number("minutes", above=0, at_most=1440)
    price = table.number("price", at_least=0, at_most=10_000)
    table.finish()
    return Kit(
        name=name,
        parameter=parameter.name if parameter else "",
        unit=unit,
        step=_or_nan(step),
        repeatability=repeatability,
        calibration_sd=None if calibration_sd_pct is None else calibration_sd_pct / 100,
        minutes=minutes,
        price=price,
    )


def _solution(name: str, table: _Table) -> Solution:
    keys = dict.fromkeys(RECIPES, _RECIPE_MAX_G_PER_L)
    keys |= dict.fromkeys(DIRECT_STRENGTHS, _STRENGTH_MAX_PER_ML)
    stated = {
        key: table.number(key, at_least=0, at_most=at_most)
        for key, at_most in keys.items()
        if key in table.values
    }
    strengths = {key: value for key, value in stated.items() if value is not None}
    all_understood = len(strengths) == len(table.values)
    if all_understood and not any(value > _STRENGTH_MIN for value in strengths.values()):
        table.fault("", f"adds nothing; state at least one strength above zero: {', '.join(keys)}")
    table.finish(only=keys)
    return solution_from_strengths(name, strengths)


def _compositions(
    sample: str, targets: Mapping[str, Target]
) -> Callable[[str, _Table], Composition]:
    """A builder for the tables of waters or of references (`sample`)."""

    def build(name: str, table: _Table) -> Composition:
        levels = {}
        for parameter in PARAMETERS.values():
            if sample in parameter.samples:
                level = _level(parameter, table, targets.get(parameter.name))
                if level is not None:
                    levels[parameter.name] = level
        table.finish()
        if sample == "reference" and not table.values:
            table.fault("", "a reference solution needs at least one stated value")
        return Composition(name=name, levels=levels)

    return build


def _level(parameter: Parameter, table: _Table, target: Target | None) -> float | None:
    """The stated level of one parameter, canonical; None where the table states none."""
    default = fallback_unit(parameter, target.unit if target else None) or ""
    value = table.number(parameter.name, at_least=0)
    unit_key = f"{parameter.name}_unit"
    if not table.has(unit_key) and value is None:
        return None
    unit = _unit(parameter, table, unit_key, default)
    if value is None:
        return None
    level = parameter.to_canonical(value, unit)
    if not level_is_possible(parameter, level):
        accepted = range_text(parameter, parameter.possible, unit)
        table.fault(parameter.name, f"must be {accepted}; check the unit")
    return level


def _reactor(table: _Table) -> Reactor:
    flow_min = table.number("flow_min_ml_h", 0.0, at_least=0)
    flow_max = table.required_number("flow_max_ml_h", above=0, at_most=_FLOW_LIMIT_ML_H)
    flow_step = table.number("flow_step_ml_h", 1.0, at_least=0.001)
    chambers = table.number("chambers", 1.0)
    reactor = Reactor(
        flow_min_ml_h=_or_nan(flow_min),
        flow_max_ml_h=flow_max,
        flow_step_ml_h=_or_nan(flow_step),
        chamber_ph=table.number("chamber_ph", at_least=5.5, at_most=8),
        chambers=int(chambers or 0),
        media_kg=table.number("media_kg", above=0, at_most=MEDIA_LIMIT_KG),
        magnesium_media_fraction=_fraction(
            table.number("magnesium_media_pct", 0.0, at_least=0, at_most=100)
        ),
        co2_charge_g=table.number("co2_charge_g", above=0, at_most=1e6),
    )
    _check_reactor(reactor, chambers, table)
    table.finish()
    return reactor


def _check_reactor(reactor: Reactor, chambers: float | None, table: _Table) -> None:
    if chambers not in (1.0, 2.0, 3.0):
        table.fault("chambers", "must be 1, 2 or 3")
    if reactor.flow_min_ml_h >= reactor.flow_max_ml_h:
        table.fault(
            "flow_min_ml_h", f"must be less than flow_max_ml_h, which is {reactor.flow_max_ml_h:g}"
        )
    if reactor.flow_step_ml_h > reactor.flow_max_ml_h:
        table.fault(
            "flow_step_ml_h", f"must not exceed flow_max_ml_h, which is {reactor.flow_max_ml_h:g}"
        )


def _check_sample_names(tank: Tank, faults: FaultList) -> None:
    """Waters and references share the log's `of` column with the places to sample."""
    for kind, names in (("water", tank.waters), ("reference", tank.references)):
        for name in names:
            if match_name(name, RESERVED_NAMES):
                faults.add(
                    f"the log means the {name} itself by that word; choose another name",
                    found=name,
                    column=f"{kind}.{name}",
                )
    for name in tank.references:
        if name in tank.waters:
            faults.add(
                "a water has the same name, so the log could not tell them apart; rename one",
                found=name,
                column=f"reference.{name}",
            )
