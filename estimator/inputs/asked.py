"""Every key of the tank file, as its reader asks for it: what the reference is made from.

The reader is let loose on a table that holds nothing and notes what it is asked for, so that a key
that is added to the reader cannot be missing here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Unpack

from estimator.inputs.tank_file import tank_of
from estimator.inputs.text import FaultList
from estimator.inputs.toml_table import Limits, TomlTable

NAME = "NAME"
"""Stands for a name that the keeper chooses."""


@dataclass(frozen=True)
class AskedKey:
    """One key.

    Attributes:
        table: dotted path of its table; `NAME` where the keeper chooses.
        name: the key.
        limits: of a number.
        default: what is taken where the key is absent; None where nothing is.
        required: whether the file must have it.
    """

    table: str
    name: str
    limits: Limits
    default: float | str | None = None
    required: bool = False

    @property
    def path(self) -> str:
        """Dotted path."""
        return f"{self.table}.{self.name}"


@cache
def asked_keys() -> Mapping[str, AskedKey]:
    """All keys of the tank file by their dotted paths."""
    found: dict[str, AskedKey] = {}
    tank_of(_Asked("", found))
    return found


class _Asked(TomlTable):
    """An empty table that notes what it is asked for."""

    def __init__(self, path: str, found: dict[str, AskedKey]) -> None:
        super().__init__({}, path, FaultList(""))
        self._found = found

    def _note(self, key: str, **what: object) -> None:
        if self._path in ("", "targets"):
            return  # a table, which is known by its keys
        known = AskedKey(self._path, key, Limits())
        known = self._found.setdefault(known.path, known)
        self._found[known.path] = replace(known, **what)  # type: ignore[arg-type]

    def fault(self, key: str, rule: str) -> None:
        if key and rule.startswith("is missing"):
            self._note(key, required=True)

    def has(self, key: str) -> bool:
        """Tables and strengths are asked for one by one; of other keys the absence tells more."""
        self._note(key)
        return self._path in ("", "targets", f"solutions.{NAME}")

    def optional(self, key: str, **limits: Unpack[Limits]) -> float | None:
        self._note(key, limits=limits)
        return None

    def number(self, key: str, default: float, **limits: Unpack[Limits]) -> float:
        self._note(key, limits=limits, default=None if math.isnan(default) else default)
        return default

    def required(self, key: str, **limits: Unpack[Limits]) -> float:
        self._note(key, limits=limits, required=True)
        return math.nan

    def text(self, key: str, default: str = "") -> str:
        self._note(key, default=default or None)
        return default

    def required_text(self, key: str) -> str:
        self._note(key, required=True)
        return ""

    def table(self, key: str) -> TomlTable:
        return _Asked(self._column(key), self._found)

    def named_tables(self, key: str) -> list[tuple[str, TomlTable]]:
        return [(NAME, self.table(key).table(NAME))]

    def finish(self) -> None:
        """Nothing stands here that nobody asked for."""
