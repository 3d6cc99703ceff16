"""Reads TOML into tables that hand out checked values; what a key means is not known here."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from typing import Any, TypedDict, Unpack

from estimator.inputs.key_hint import key_hint
from estimator.inputs.text import FaultList

LONGEST_LINE = 1000
"""The standard library's TOML reader takes time that grows with the square of a dotted key."""
LONGEST_NAME = 100
MOST_NAMES = 100
"""Kits, solutions, waters or references in one file."""

_TOML_PLACE = re.compile(r"\(at line (\d+), column \d+\)")


def read_toml(text: str, faults: FaultList) -> TomlTable:
    """The whole file as one table.

    Raises:
        InputError: it is not TOML.
    """
    for row, line in enumerate(text.split("\n"), start=1):
        if len(line) > LONGEST_LINE:
            rule = f"a line may hold at most {LONGEST_LINE} characters; break or shorten it"
            faults.refuse(rule, f"{len(line)} characters", row)
    try:
        return TomlTable(tomllib.loads(text), "", faults)
    except ValueError as error:
        place = _TOML_PLACE.search(str(error))
        row_at_fault = int(place[1]) if place else None
        faults.refuse(f"is not valid TOML: {error}; mend that place", row=row_at_fault)
    except RecursionError:
        faults.refuse("is not valid TOML: lists or tables are nested too deep; remove the nesting")


class Limits(TypedDict, total=False):
    """What a number must keep to; `remedy` is what to look at where it is above `at_most`."""

    at_least: float
    above: float
    at_most: float
    remedy: str


class TomlTable:
    """One TOML table: hands out checked values and names every key nobody asked for.

    A value that breaks a rule becomes a fault and a harmless stand-in, so that the rest of the
    file is still checked.
    """

    def __init__(self, values: Mapping[str, Any], path: str, faults: FaultList) -> None:
        self.values = values
        self._path = path
        self._faults = faults
        self._known: list[str] = []

    def fault(self, key: str, rule: str) -> None:
        """Note that the value at `key` breaks `rule`; `key` "" means the table itself."""
        column = self._column(key) if key else self._path
        self._faults.add(rule, found=_shown(self.values.get(key)), column=column)

    def has(self, key: str) -> bool:
        """Whether `key` is present; it counts as known from now on."""
        if key not in self._known:
            self._known.append(key)
        return key in self.values

    def optional(
        self,
        key: str,
        *,
        at_least: float = -math.inf,
        above: float = -math.inf,
        at_most: float = math.inf,
        remedy: str = "",
    ) -> float | None:
        """A finite number within the `Limits`; None where the key is absent or at fault."""
        if not self.has(key):
            return None
        value = _finite(self.values[key])
        if value is None:
            self.fault(key, "write a plain number, without quotation marks")
        elif not (at_least <= value <= at_most and value > above):
            low = f"more than {above:g}" if above > -math.inf else f"at least {at_least:g}"
            high = f" and at most {at_most:.9g}" if at_most < math.inf else ""
            hint = f"; {remedy}" if remedy and value > at_most else ""
            self.fault(key, f"must be {low}{high}{hint}")
        else:
            return value
        return None

    def number(self, key: str, default: float, **limits: Unpack[Limits]) -> float:
        """A number within the limits; `default` where the key is absent or at fault."""
        value = self.optional(key, **limits)
        return default if value is None else value

    def required(self, key: str, **limits: Unpack[Limits]) -> float:
        """A number that must be there; NaN stands in where it is not, or is at fault."""
        if not self.has(key):
            self.fault(key, "is missing; add it")
        return self.number(key, math.nan, **limits)

    def text(self, key: str, default: str = "") -> str:
        """A string, or `default` where the key is absent."""
        value = self.values[key] if self.has(key) else default
        if isinstance(value, str):
            return value
        self.fault(key, "write text between quotation marks")
        return default

    def required_text(self, key: str) -> str:
        """Like `text`, for a key that must be there; "" stands in where it is not."""
        if not self.has(key):
            self.fault(key, "is missing; add it")
        return self.text(key)

    def table(self, key: str) -> TomlTable:
        """The table at `key`; an absent one is empty."""
        value = self.values[key] if self.has(key) else {}
        if not isinstance(value, dict):
            self.fault(key, f"must be a table, written [{self._column(key)}]")
            value = {}
        return TomlTable(value, self._column(key), self._faults)

    def named_tables(self, key: str) -> list[tuple[str, TomlTable]]:
        """Every (name, table) below `key`, for tables whose names the keeper chooses."""
        parent = self.table(key)
        if len(parent.values) > MOST_NAMES:
            rule = f"there may be at most {MOST_NAMES}; remove those that the log does not use"
            self._faults.add(rule, f"{len(parent.values)} tables", column=parent._path)
            return []
        return [(name, parent.table(name)) for name in parent.values if parent._is_usable(name)]

    def finish(self) -> None:
        """Note a fault for each key that nobody asked for."""
        for key in self.values:
            if key not in self._known:
                rule = f"unknown key; {key_hint(key, self._known)}"
                self._faults.add(rule, found=key, column=self._column(key))

    def _column(self, key: str) -> str:
        """The dotted key, as a fault names it."""
        return f"{self._path}.{key}" if self._path else key

    def _is_usable(self, name: str) -> bool:
        """Whether a log can write this chosen name; a fault is noted where it cannot."""
        if len(name) > LONGEST_NAME:
            self.fault(name, f"a name may hold at most {LONGEST_NAME} characters; shorten it")
        elif not name.strip() or name != name.strip():
            self.fault(name, "a name may not be blank nor begin or end with a blank")
        else:
            return True
        return False


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
