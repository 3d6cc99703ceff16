"""A study as JSON by rule: a field's name gives key and unit, its type the way it is written.

    uptake_meq_l_d: draws (s,)      "uptake": Q, in the keeper's unit of alkalinity a day
    calcium_now_mmol_l: draws       "calcium_now": Q, in the keeper's unit of calcium
    media_g_d                       "media_g_per_day"
    low_chance                      "low_probability"
    narrowing, key "narrowing_pct"  100 times as much

Dates are ISO text, dataclasses and named tuples objects, tuples lists, a `Remark` its words, None
and what is not finite null. Where a class needs more than that, an `Naming` of the table says so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from datetime import date
from typing import Any

import numpy as np

from estimator.inputs.parameters import ALKALINITY, CALCIUM, MAGNESIUM, NITRATE, Parameter
from estimator.inputs.tank import Tank
from estimator.remark import Remark
from estimator.study import Study
from reports.twin.quantities import Draws, Json, iso, quantiles, rounded, unit_of

CONCENTRATIONS = ("_meq_l_d", "_meq_l", "_mmol_l_d", "_mmol_l")
"""Suffixes that are converted and left off: the keeper's unit is not known beforehand. Without a
parameter in its name or entry, a field in mmol/L stays so."""
SPELT = {
    **{f"_{unit}_d": f"_{unit}_per_day" for unit in ("g", "ml", "l", "meq", "mmol", "mol")},
    "_d": "_days",
    "_chance": "_probability",
    "_fraction": "_pct",
}
"""Suffixes that a key spells out; the first that fits. All others (`_ml_h`, `_l`, `_g`) stay."""

Convert = Callable[[Any], Any]
"""From canonical units, of a number or of draws."""
Computed = Callable[[Any, "Writer"], Any]
"""Given the object and its writer, what is to be written in turn."""


@dataclass(frozen=True)
class Naming:
    """What the rule does not know about one class.

    Attributes:
        names: of fields and properties, between blanks: `name=key`; `-name` to leave it out;
            `*name` to write its own keys among those of the object; `name` alone by the rule.
            `media.days_left=key` is a field of a field, null where that is None.
        computed: by name, in place of a field or beside them; the same rule holds.
        only: fields that are not in `names` are left out.
        series: arrays are written number by number: no draws are among them.
        drop: a suffix left off keys, where the object names that unit or its meaning does.
        of: the parameter that fields in mmol/L are of.
    """

    names: str = ""
    computed: Mapping[str, Computed] = field(default_factory=dict)
    only: bool = False
    series: bool = False
    drop: str = ""
    of: Parameter | None = None

    def columns(self, of: type) -> Iterator[tuple[str, str]]:
        """(name, key) of all that is written of a class; "*" for own keys."""
        says = {}
        for token in self.names.split():
            name, _, key = token.lstrip("-*").partition("=")
            says[name] = key or (token[0] if token[0] in "-*" else "")
        every = (*(() if self.only else _field_names(of)), *says, *self.computed)
        for name in dict.fromkeys(every):
            key = says.get(name, "") or rule_of(name, self.of)[0].removesuffix(self.drop)
            if key != "-":
                yield name, key


RULE_ALONE = Naming()


def always(value: Any) -> Computed:
    """The same in every twin."""
    return lambda thing, writer: value


def rule_of(name: str, of: Parameter | None = None) -> tuple[str, Parameter | None]:
    """(key, parameter in whose unit the keeper reads it), by the suffix of a field's name."""
    for suffix in CONCENTRATIONS:
        if name.endswith(suffix):
            named = (p for p in (CALCIUM, MAGNESIUM, NITRATE) if p.name in name.split("_"))
            parameter = ALKALINITY if "_meq" in suffix else of or next(named, None)
            return (name if parameter is None else name.removesuffix(suffix)), parameter
    for suffix, spelt in SPELT.items():
        if name.endswith(suffix):
            return name.removesuffix(suffix) + spelt, None
    return name, None


def unchanged(value: Any) -> Any:
    """The conversion of what has one unit for everybody."""
    return value


@dataclass(frozen=True)
class Writer:
    """Writes parts of one study.

    Attributes:
        study: for the keeper's units, and for entries that need more than their own object.
        table: by class, what the rule does not know.
        words: of a remark, in the units of the tank.
        timings: put the seconds of each stage in.
    """

    study: Study
    table: Mapping[type, Naming]
    words: Callable[[Remark, Tank], str]
    timings: bool = False

    def hides(self, *parameters: Parameter) -> bool:
        """Whether figures that rest on these are not told."""
        return any(one.name in self.study.withheld_figures for one in parameters)

    def unit(self, parameter: Parameter) -> str:
        """The keeper's unit."""
        return unit_of(self.study.tank, parameter)

    def in_unit(self, parameter: Parameter, canonical: Any) -> Any:
        """A level or a change of it, number, draws or None, in the keeper's unit."""
        return None if canonical is None else canonical / parameter.units[self.unit(parameter)]

    def level(self, parameter: Parameter, canonical: Draws | None) -> Any:
        """{unit, …Q} of draws (s,) of a level; None of None, and where its figures are withheld."""
        if canonical is None or self.hides(parameter):
            return None
        return {"unit": self.unit(parameter), **quantiles(self.in_unit(parameter, canonical))}

    def write(self, value: Any, convert: Convert = unchanged, *, series: bool = False) -> Any:
        """Any value as JSON; what is JSON already stays as it is.

        Raises:
            TypeError: no rule knows its type, or an array that is not of draws (s,) alone.
        """
        if value is None or isinstance(value, (bool, np.bool_)):
            return None if value is None else bool(value)
        if isinstance(value, (int, float, np.number)):
            number = convert(value)
            return int(number) if isinstance(number, (int, np.integer)) else rounded(float(number))
        if isinstance(value, np.ndarray) and not series:
            if value.ndim != 1:
                raise TypeError(f"an array of shape {value.shape} needs an entry in the table")
            return self.write(quantiles(convert(value)))
        if isinstance(value, Mapping):
            return {str(key): self.write(one, convert, series=series) for key, one in value.items()}
        if isinstance(value, (str, date)):
            return iso(value) if isinstance(value, date) else str(value)
        if isinstance(value, Remark):
            return self.words(value, self.study.tank)
        if _field_names(type(value)):
            return self.object(value, convert)
        if isinstance(value, (tuple, list, np.ndarray)):
            return [self.write(one, convert, series=series) for one in value]
        raise TypeError(f"no rule writes a {type(value).__name__}")

    def object(self, thing: Any, convert: Convert = unchanged) -> Json:
        """A dataclass or named tuple; `convert` holds for fields without a unit of their own.

        Raises:
            ValueError: two fields come under one key.
        """
        entry = self.table.get(type(thing), RULE_ALONE)
        found: Json = {}
        for name, key in entry.columns(type(thing)):
            compute = entry.computed.get(name)
            value = _found(thing, name) if compute is None else compute(thing, self)
            into = self._conversion(name, key, entry.of) or convert
            written = self.write(value, into, series=entry.series)
            part = written if key == "*" else {key: written}
            if found.keys() & part.keys():
                raise ValueError(f"{type(thing).__name__}: {found.keys() & part.keys()} twice")
            found |= part
        return found

    def nulls(self, of: type) -> Json:
        """The keys of a class, where there is no object of it."""
        return {key: None for _, key in self.table.get(of, RULE_ALONE).columns(of)}

    def _conversion(self, name: str, key: str, of: Parameter | None) -> Convert | None:
        parameter = rule_of(name, of)[1]
        if parameter is not None:
            return lambda value: self.in_unit(parameter, value)
        if "pct" in key.split("_") and "pct" not in name.split("_"):
            return lambda value: 100 * value
        return None


def _field_names(of: type) -> tuple[str, ...]:
    """Fields of a dataclass or named tuple; none of any other class."""
    return tuple(one.name for one in fields(of)) if is_dataclass(of) else getattr(of, "_fields", ())


def _found(thing: Any, path: str) -> Any:
    """A field, or a field of a field; None where the first is None."""
    for name in path.split("."):
        thing = None if thing is None else getattr(thing, name)
    return thing
